package machine

import (
	"net/http"
	"slices"

	"thawtrail/internal/event"
	"thawtrail/internal/query"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
)

// ownPlaceMore is the page on which a laptop is told in which car it is.
type ownPlaceMore struct{ Places []site.Option }

// OwnPlace serves the page that says with which place this laptop is.
func OwnPlace(req *site.Request) error {
	m := &ownPlaceMore{}
	err := req.Read(func(l *query.ReadView) error {
		own, err := req.Site.OwnPlace(l)
		if err != nil {
			return err
		}
		m.Places, err = site.Names(l, event.KindPlace)
		for i := range m.Places {
			m.Places[i].Checked = m.Places[i].Value == own
		}
		return err
	})
	if err != nil {
		return err
	}
	chosen := req.PostForm.Get("place")
	i := slices.IndexFunc(m.Places, func(p site.Option) bool { return p.Value == chosen })
	if req.Method != http.MethodPost || i < 0 {
		return req.Render("ownplace", words.Say("own.title"), "clinic", m)
	}
	if err := req.Site.SetOwnPlace(chosen); err != nil {
		return err
	}
	req.Tell(words.Say("own.set", m.Places[i].Label))
	return req.Redirect("/clinic/setup")
}
