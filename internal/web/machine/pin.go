package machine

import (
	"net/http"
	"slices"

	"thawtrail/internal/access"
	"thawtrail/internal/query"
	"thawtrail/internal/refusal"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// pinMore is the page on which people set their own PIN.
type pinMore struct {
	People     []site.Option
	Who        string // the name, when it is known who writes here
	Has        bool   // has a PIN here
	Passphrase bool   // the machine's passphrase is another way
	Said       string // why it was not set
}

// OwnPIN serves the page for one's own PIN.
func OwnPIN(req *site.Request) error {
	if req.PINs() == nil {
		return site.ErrNotFound
	}
	people, err := req.People()
	if err != nil {
		return err
	}
	m := &pinMore{People: people, Passphrase: req.Site.Opens != nil}
	who := req.Who(people)
	if who == "" {
		who = req.PostForm.Get("person")
	}
	i := slices.IndexFunc(people, func(p site.Option) bool { return p.Value == who })
	if i >= 0 {
		m.Who, m.Has = people[i].Label, req.PINs().Has(who)
	}
	if req.Method == http.MethodPost {
		if i < 0 {
			m.Said = words.Say("lock.who")
		} else if m.Said = setPIN(req, who); m.Said == "" {
			req.SwitchTo(people[i], req.PostForm.Get("pin"))
			return req.Redirect(req.Site.Home())
		}
		req.Code = http.StatusUnprocessableEntity
	}
	return req.Render("pin", words.Say("pin.title"), "", m)
}

// setPIN sets the PIN that was typed; its answer is why not.
func setPIN(req *site.Request, person string) string {
	got := req.PostForm
	if got.Get("pin") != got.Get("pin_again") {
		return words.Say("pin.differ")
	}
	desk := access.PINs{Reader: query.Reader{Replica: req.Site.Replica}, Opens: req.Site.Opens}
	if desk.Opens == nil {
		desk.Opens = func(string) bool { return false }
	}
	_, err := desk.SetPin(req.Context(), &pb.SetPinRequest{Person: person, Pin: got.Get("pin"), OldPin: got.Get("old_pin"), Passphrase: got.Get("passphrase")})
	if err == nil {
		return ""
	}
	if ref, ok := refusal.As(err); ok {
		return words.Say("pin.refused", ref.Want)
	}
	text, plain := refusal.Plain(err)
	if !plain {
		req.Site.Log.Error("set a PIN", "error", err)
	}
	return text
}

// MoreBrowsers serves the way in for a second browser.
func MoreBrowsers(req *site.Request) error {
	url, err := req.Site.Entrance()
	if err != nil {
		return err
	}
	return req.Render("another", words.Say("another.title"), "", url)
}
