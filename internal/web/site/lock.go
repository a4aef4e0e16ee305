package site

import (
	"cmp"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"thawtrail/internal/entry"
	"thawtrail/internal/trust/pins"
	"thawtrail/internal/web/words"
	"thawtrail/internal/wording"
)

// Whether a browser is locked, and what it may still do then. The rules are those
// of package pins.

// Browser is the session's browser, with all its tabs.
func (req *Request) Browser() pins.Session { return pins.Session(req.Session.ID) }

// PINs are the PINs of this machine; nil where none are kept.
func (req *Request) PINs() *pins.Registry { return req.Site.Replica.Pins }

// Actor is who writes.
func (req *Request) Actor() entry.Actor {
	return entry.Actor{Session: req.Browser(), Nobody: req.Locked}
}

// AnyPIN says that somebody has a PIN here.
func (req *Request) AnyPIN() bool { return req.PINs() != nil && req.PINs().Any() }

// proof says how the one who writes here is known; empty where nobody has a PIN.
func (req *Request) proof(who string) string {
	if !req.AnyPIN() || req.Locked || who == "" {
		return ""
	}
	if person, proven := req.PINs().Current(req.Browser()); person == who && !proven.IsZero() {
		return words.Say("who.proven")
	}
	return wording.NoProof
}

// admit finds out whether the browser is locked, opens it when the form says how,
// and answers with the locked page where a locked browser may not go on. It says
// whether it has answered.
func (req *Request) admit() (answered bool, err error) {
	if req.PINs() == nil {
		return false, nil
	}
	req.Locked = req.PINs().Locked(req.Browser())
	said := ""
	if req.Locked && req.PostForm.Get("unlock.do") != "" {
		if said, err = req.unlock(); err != nil {
			return false, err
		}
	}
	if !req.Locked {
		if req.byHand() {
			req.PINs().Use(req.Browser())
		}
		return false, nil
	}
	if open, err := req.staysOpen(); open && said == "" || err != nil {
		return false, err
	}
	if req.Method == http.MethodGet {
		return true, req.Redirect("/locked?back=" + url.QueryEscape(req.URL.RequestURI()))
	}
	req.Code = http.StatusLocked
	return true, req.locksOut(said)
}

// byHand says that a person, and not the page by itself, asked for this.
func (req *Request) byHand() bool {
	return !req.isFragment() && req.URL.Path != "/live" && !strings.HasSuffix(req.URL.Path, ".svg")
}

// unlock opens the browser by a PIN, or without proof. Its answer is why it stays
// locked.
func (req *Request) unlock() (said string, err error) {
	got := req.PostForm
	people, err := req.People()
	if err != nil {
		return "", err
	}
	i := slices.IndexFunc(people, func(p Option) bool { return p.Value == got.Get("unlock.person") })
	if i < 0 {
		return words.Say("lock.who"), nil
	}
	person := people[i]
	if got.Get("unlock.do") == "without" {
		req.PINs().GoOn(req.Browser(), person.Value)
		req.Tell(words.Say("who.unproven", person.Label, pins.ErrNone))
	} else {
		if err := req.PINs().Unlock(req.Browser(), person.Value, got.Get("unlock.pin")); err != nil {
			return words.Say("lock.stays", err), nil
		}
		req.Tell(words.Say("who.switched", person.Label))
		if got.Get("pin") == "" { // who opens the page by a PIN to send an act has proven the act
			got.Set("pin", got.Get("unlock.pin"))
		}
	}
	req.Locked = false
	req.SetWho(person.Value)
	return "", nil
}

// staysOpen says that a page is there for a locked browser too.
func (req *Request) staysOpen() (bool, error) {
	switch req.URL.Path {
	case "/live", "/locked", "/unlock", "/lock", "/seen", "/used":
		return true, nil
	}
	if req.PathValue("case") == "" {
		return false, nil
	}
	return req.Site.locked.StaysOpen(req)
}

// LockedView is what a locked browser still shows: the barn knows it.
type LockedView struct {
	// StaysOpen says that a page of a case never locks, while the case is watched.
	StaysOpen func(req *Request) (bool, error)
	// Page serves the locked page with its form.
	Page func(req *Request, form *LockedForm) error
}

// LockedForm opens a locked browser.
type LockedForm struct {
	People []Option
	Person string // as chosen before
	Action string
	Back   string
	Said   string      // why it stays locked
	Kept   []keptField // what was sent when it was locked, to be sent again
}

// keptField is a value of a form that was sent to a locked browser.
type keptField struct{ Name, Value string }

// ShowLocked serves the locked page; an open browser goes back to where it was.
func ShowLocked(req *Request) error {
	if !req.Locked {
		return req.Redirect(cmp.Or(req.URL.Query().Get("back"), req.Site.Home()))
	}
	return req.lockedPage(&LockedForm{Action: "/unlock", Back: req.URL.Query().Get("back")})
}

// locksOut answers a form that a locked browser sent. Nothing of it is lost: it
// goes on with the name, and with the PIN or without.
func (req *Request) locksOut(said string) error {
	m := &LockedForm{Action: req.URL.RequestURI(), Said: said, Back: req.PostForm.Get("back"), Person: req.PostForm.Get("unlock.person")}
	for name, values := range req.PostForm {
		switch name {
		case "token", "pin", "pin_again", "old_pin", "passphrase", "unlock.person", "unlock.pin", "unlock.do", "back":
			continue
		}
		for _, value := range values {
			m.Kept = append(m.Kept, keptField{name, value})
		}
	}
	slices.SortStableFunc(m.Kept, func(a, b keptField) int { return strings.Compare(a.Name, b.Name) })
	if m.Said == "" {
		m.Said = words.Say("lock.unsent")
	}
	return req.lockedPage(m)
}

func (req *Request) lockedPage(m *LockedForm) (err error) {
	if m.People, err = req.People(); err != nil {
		return err
	}
	if len(m.People) == 1 {
		m.Person = m.People[0].Value
	}
	return req.Site.locked.Page(req, m)
}

// PostUnlock is reached once the browser is open.
func PostUnlock(req *Request) error {
	return req.Redirect(cmp.Or(req.PostForm.Get("back"), req.Site.Home()))
}

// Lock locks the browser with all its tabs.
func Lock(req *Request) error {
	if req.PINs() == nil {
		return ErrNotFound
	}
	req.PINs().Lock(req.Browser())
	return req.Redirect("/locked?back=" + url.QueryEscape(req.PostForm.Get("back")))
}

// locksChanged is closed when a browser is locked or opened. Asking locks this one
// when it was left alone for too long; so the heartbeat of its own stream does.
func (req *Request) locksChanged() <-chan struct{} {
	if req.PINs() == nil {
		return nil
	}
	changed := req.PINs().Changed()
	req.PINs().Locked(req.Browser())
	return changed
}

// Used hears from the script that somebody types, so that a long form does not look
// like a laptop that was left alone.
func Used(req *Request) error {
	req.W.WriteHeader(http.StatusNoContent)
	return nil
}
