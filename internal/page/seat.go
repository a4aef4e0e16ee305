package page

import (
	"cmp"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/service"
	"thawtrail/internal/trust/pins"
)

// Who sits at a browser: its person, how that is known, and whether it is locked.
// The rules are those of package pins; here is what a locked page still shows.

// seat is the browser, with all its tabs.
func (req *Request) browser() pins.Seat { return pins.Seat(req.Session.ID) }

// book is the PINs of this machine; nil where none are kept.
func (req *Request) pins() *pins.Book { return req.Site.Replica.Pins }

// hand is who writes.
func (req *Request) actor() service.Hand {
	return service.Hand{Seat: req.browser(), Nobody: req.Locked}
}

// anyPIN says that somebody has a PIN here.
func (req *Request) anyPIN() bool { return req.pins() != nil && req.pins().Any() }

// proof says how the one who writes here is known; empty where nobody has a PIN.
func (req *Request) proof(who string) string {
	if !req.anyPIN() || req.Locked || who == "" {
		return ""
	}
	if person, proven := req.pins().Current(req.browser()); person == who && !proven.IsZero() {
		return say("who.proven")
	}
	return service.NoProof
}

// lookUp finds out whether the browser is locked, opens it when the form says how,
// and answers with the locked page where a locked browser may not go on. It says
// whether it has answered.
func (req *Request) admit() (answered bool, err error) {
	book := req.pins()
	if book == nil {
		return false, nil
	}
	req.Locked = book.Locked(req.browser())
	said := ""
	if req.Locked && req.PostForm.Get("unlock.do") != "" {
		if said, err = req.unlock(); err != nil {
			return false, err
		}
	}
	if !req.Locked {
		if req.byHand() {
			book.Use(req.browser())
		}
		return false, nil
	}
	if open, err := staysOpen(req); open && said == "" || err != nil {
		return false, err
	}
	if req.Method == http.MethodGet {
		return true, req.redirect("/locked?back=" + url.QueryEscape(req.URL.RequestURI()))
	}
	req.Code = http.StatusLocked
	return true, locksOut(req, said)
}

// byHand says that a person, and not the page by itself, asked for this.
func (req *Request) byHand() bool {
	return !req.isFragment() && req.URL.Path != "/live" && !strings.HasSuffix(req.URL.Path, ".svg")
}

// unlock opens the browser by a PIN, or without proof. Its answer is why it stays
// locked.
func (req *Request) unlock() (said string, err error) {
	got := req.PostForm
	people, err := req.people()
	if err != nil {
		return "", err
	}
	i := slices.IndexFunc(people, func(p Option) bool { return p.Value == got.Get("unlock.person") })
	if i < 0 {
		return say("lock.who"), nil
	}
	person := people[i]
	if got.Get("unlock.do") == "without" {
		req.pins().GoOn(req.browser(), person.Value)
		req.tell(say("who.unproven", person.Label, pins.ErrNone))
	} else {
		if err := req.pins().Unlock(req.browser(), person.Value, got.Get("unlock.pin")); err != nil {
			return say("lock.stays", err), nil
		}
		req.tell(say("who.switched", person.Label))
		if got.Get("pin") == "" { // who opens the page by a PIN to send an act has proven the act
			got.Set("pin", got.Get("unlock.pin"))
		}
	}
	req.Locked = false
	req.setWho(person.Value)
	return "", nil
}

// tell puts a sentence on the next page.
func (req *Request) tell(text string) { req.Site.flash.put(req.Session.ID, &Flash{Text: text}) }

// openSteps are the pages of a case that never lock, while it is watched.
var openSteps = map[string]bool{"run": true, "slower": true, "clamp": true, "treat": true, "drug": true, "reaction": true}

// staysOpen says that a page is there for a locked browser too.
func staysOpen(req *Request) (bool, error) {
	switch req.URL.Path {
	case "/live", "/locked", "/unlock", "/lock", "/seen", "/used":
		return true, nil
	}
	id := req.PathValue("case")
	if id == "" || !openSteps[req.PathValue("step")] && !strings.HasSuffix(req.URL.Path, "/vitals.svg") {
		return false, nil
	}
	cv, err := caseOf(req, id)
	if err != nil {
		return false, err
	}
	return cv.watched(), nil
}

// watchedFor is how long a patient stays in reach of a locked browser after the last
// that was done: vitals are due half an hour after the end.
const watchedFor = time.Hour

// watched says that plasma runs in a case, or that the patient was treated or looked
// at a short while ago.
func (cv *View) watched() bool {
	if cv.C.Running {
		return true
	}
	lately := cv.Now.Add(-watchedFor).UnixMilli()
	for i := range cv.C.Transfusions {
		if cv.C.Transfusions[i].LastMs() > lately {
			return true
		}
	}
	return len(cv.C.Transfusions) > 0 && slices.ContainsFunc(cv.C.Timeline, func(e ledger.Entry) bool {
		spec, ok := event.Lookup(e.Type)
		return ok && spec.Rule.GetSignLater() && e.AtMs > lately
	})
}

// lockedMore is the locked page.
type lockedMore struct {
	Cases  []lockedCase
	Due    []dueRow // baths to measure; what is due in a case stands with it
	People []Option
	Person string // as chosen before
	Action string
	Back   string
	Said   string      // why it stays locked
	Kept   []keptField // what was sent when it was locked, to be sent again
}

type lockedCase struct {
	Patient *Patient
	ID      string
	Running *Running // nil when no bag runs any more
	Run     *runMore
	here    bool // this device wrote of it
}

// first brings what runs to the top, and of that what runs here: it has the keys.
func first(a, b lockedCase) int {
	rank := func(c lockedCase) int {
		switch {
		case c.Running == nil:
			return 2
		case !c.here:
			return 1
		}
		return 0
	}
	return cmp.Compare(rank(a), rank(b))
}

// keptField is a value of a form that was sent to a locked browser.
type keptField struct{ Name, Value string }

// showLocked serves the locked page; an open browser goes back to where it was.
func showLocked(req *Request) error {
	if !req.Locked {
		return req.redirect(orText(req.URL.Query().Get("back"), req.Site.home()))
	}
	return lockedPage(req, &lockedMore{Action: "/unlock", Back: req.URL.Query().Get("back")})
}

// locksOut answers a form that a locked browser sent. Nothing of it is lost: it
// goes on with the name, and with the PIN or without.
func locksOut(req *Request, said string) error {
	m := &lockedMore{Action: req.URL.RequestURI(), Said: said, Back: req.PostForm.Get("back"), Person: req.PostForm.Get("unlock.person")}
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
		m.Said = say("lock.unsent")
	}
	return lockedPage(req, m)
}

func lockedPage(req *Request, m *lockedMore) (err error) {
	if m.People, err = req.people(); err != nil {
		return err
	}
	if len(m.People) == 1 {
		m.Person = m.People[0].Value
	}
	now := &nowMore{}
	err = eachOpen(req, func(cv *View) error {
		now.thaws(cv)
		if !cv.watched() {
			return nil
		}
		p := &stepPage{Case: cv}
		if err := prepareRun(req, p); err != nil {
			return err
		}
		run := p.More.(*runMore)
		run.For = cv.Patient.Line
		m.Cases = append(m.Cases, lockedCase{cv.Patient, cv.ID, cv.Running, run, cv.Here})
		return nil
	})
	if err != nil {
		return err
	}
	slices.SortStableFunc(m.Cases, first)
	slices.SortStableFunc(m.Cases, func(a, b lockedCase) int { // this laptop's patients first
		switch {
		case a.Run.Elsewhere == b.Run.Elsewhere:
			return 0
		case b.Run.Elsewhere:
			return -1
		}
		return 1
	})
	m.Due = now.Due
	return req.render("locked", say("lock.title"), "", m)
}

// postUnlock is reached once the browser is open.
func postUnlock(req *Request) error {
	return req.redirect(orText(req.PostForm.Get("back"), req.Site.home()))
}

// lock locks the browser with all its tabs.
func lock(req *Request) error {
	if req.pins() == nil {
		return ErrNotFound
	}
	req.pins().Lock(req.browser())
	return req.redirect("/locked?back=" + url.QueryEscape(req.PostForm.Get("back")))
}

// seatsChanged is closed when a browser is locked or opened. Asking locks this one
// when it was left alone for too long; so the heartbeat of its own stream does.
func (req *Request) locksChanged() <-chan struct{} {
	if req.pins() == nil {
		return nil
	}
	changed := req.pins().Changed()
	req.pins().Locked(req.browser())
	return changed
}

// used hears from the script that somebody types, so that a long form does not look
// like a laptop that was left alone.
func used(req *Request) error {
	req.W.WriteHeader(http.StatusNoContent)
	return nil
}

// people are who may write from this browser.
func (req *Request) people() (out []Option, err error) {
	err = req.Read(func(l service.Look) error {
		out, err = req.peopleIn(l)
		return err
	})
	return out, err
}

// peopleIn are who may write from this browser: all, or the one that its session is
// for.
func (req *Request) peopleIn(l service.Look) ([]Option, error) {
	people, err := names(l, event.KindPerson)
	if only := req.Session.Person; only != "" {
		people = slices.DeleteFunc(people, func(p Option) bool { return p.Value != only })
	}
	return people, err
}

// chooseWho changes who writes from this browser. It never fails for want of a PIN.
func chooseWho(req *Request) error {
	people, err := req.people()
	if err != nil {
		return err
	}
	i := slices.IndexFunc(people, func(p Option) bool { return p.Value == req.PostForm.Get("person") })
	if i < 0 {
		return req.redirect(req.PostForm.Get("back"))
	}
	req.switchTo(people[i], req.PostForm.Get("pin"))
	return req.redirect(req.PostForm.Get("back"))
}

// switchTo says who writes from now on, and how that is known.
func (req *Request) switchTo(person Option, pin string) {
	req.setWho(person.Value)
	if req.pins() == nil {
		return
	}
	switch err := req.pins().Switch(req.browser(), person.Value, pin); {
	case err == nil:
		req.tell(say("who.switched", person.Label))
	case req.pins().Any():
		req.tell(say("who.unproven", person.Label, err))
	}
}
