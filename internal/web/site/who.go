package site

import (
	"cmp"
	"net/http"
	"slices"
	"strings"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/query"
	"thawtrail/internal/web/words"
)

// whoCookie names the person who writes from this browser.
func (req *Request) whoCookie() string { return req.Site.cookie + "-who" }

// Who is the person who writes, nobody on a locked page: the one that the session
// is for, the only one there is, the one that was chosen in this browser, else the one
// that this laptop joined the practice for.
func (req *Request) Who(people []Option) string {
	if req.Locked {
		return ""
	}
	if req.Session.Person != "" {
		return req.Session.Person
	}
	if req.chosen != "" {
		return req.chosen
	}
	if len(people) == 1 {
		return people[0].Value
	}
	known := func(person string) bool {
		return slices.ContainsFunc(people, func(p Option) bool { return p.Value == person })
	}
	if c, err := req.Cookie(req.whoCookie()); err == nil && known(c.Value) {
		return c.Value
	}
	if j := req.Site.Replica.Joined; j != nil && known(j.Person) {
		return j.Person
	}
	return ""
}

// SetWho chooses who writes from this browser from now on, whatever is started again
// meanwhile.
func (req *Request) SetWho(person string) {
	if req.Session.Person != "" {
		return
	}
	req.chosen = person
	// #nosec G124 -- plain HTTP on loopback; a Secure cookie would not come back
	http.SetCookie(req.W, &http.Cookie{
		Name: req.whoCookie(), Value: person, Path: "/", HttpOnly: true, SameSite: http.SameSiteStrictMode, MaxAge: cookieDays * 24 * 3600,
	})
}

// People are who may write from this browser.
func (req *Request) People() (out []Option, err error) {
	err = req.Read(func(l *query.ReadView) error {
		out, err = req.PeopleIn(l)
		return err
	})
	return out, err
}

// PeopleIn are who may write from this browser: all, or the one that its session is
// for.
func (req *Request) PeopleIn(l *query.ReadView) ([]Option, error) {
	people, err := Names(l, event.KindPerson)
	if only := req.Session.Person; only != "" {
		people = slices.DeleteFunc(people, func(p Option) bool { return p.Value != only })
	}
	return people, err
}

// ChooseWho changes who writes from this browser. It never fails for want of a PIN.
func ChooseWho(req *Request) error {
	people, err := req.People()
	if err != nil {
		return err
	}
	i := slices.IndexFunc(people, func(p Option) bool { return p.Value == req.PostForm.Get("person") })
	if i < 0 {
		return req.Redirect(req.PostForm.Get("back"))
	}
	req.SwitchTo(people[i], req.PostForm.Get("pin"))
	return req.Redirect(req.PostForm.Get("back"))
}

// SwitchTo says who writes from now on, and how that is known.
func (req *Request) SwitchTo(person Option, pin string) {
	req.SetWho(person.Value)
	if req.PINs() == nil {
		return
	}
	switch err := req.PINs().Switch(req.Browser(), person.Value, pin); {
	case err == nil:
		req.Tell(words.Say("who.switched", person.Label))
	case req.PINs().Any():
		req.Tell(words.Say("who.unproven", person.Label, err))
	}
}

// Names lists what is known of a kind by name, for lists to choose from, in the
// order in which people look for a name.
func Names(l *query.ReadView, kind string) ([]Option, error) {
	var out []Option
	err := l.Each(kind, func(st ledger.State) (bool, error) {
		if name := ledger.NameOf(st); name != "" {
			out = append(out, Option{Value: st.Key().ID, Label: name})
		}
		return len(out) < MaxChoices, nil
	})
	slices.SortStableFunc(out, func(a, b Option) int { return cmp.Compare(strings.ToLower(a.Label), strings.ToLower(b.Label)) })
	return out, err
}

// MaxChoices bounds a list to choose from.
const MaxChoices = 500

// Option is one thing to choose.
type Option struct {
	Value, Label string
	Checked      bool
}
