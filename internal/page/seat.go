package page

import (
	"cmp"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"thawtrail/internal/entry"
	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/query"
	"thawtrail/internal/trust/pins"
	"thawtrail/internal/wording"
)

// Who sits at a browser: its person, how that is known, and whether it is locked.
// The rules are those of package pins; here is what a locked page still shows.

// seat is the browser, with all its tabs.
func (v *visit) seat() pins.Seat { return pins.Seat(v.sess.id) }

// book is the PINs of this machine; nil where none are kept.
func (v *visit) book() *pins.Book { return v.s.cfg.Replica.Pins }

// hand is who writes.
func (v *visit) hand() entry.Actor { return entry.Actor{Seat: v.seat(), Nobody: v.locked} }

// anyPIN says that somebody has a PIN here.
func (v *visit) anyPIN() bool { return v.book() != nil && v.book().Any() }

// proof says how the one who writes here is known; empty where nobody has a PIN.
func (v *visit) proof(who string) string {
	if !v.anyPIN() || v.locked || who == "" {
		return ""
	}
	if person, proven := v.book().Current(v.seat()); person == who && !proven.IsZero() {
		return say("who.proven")
	}
	return wording.NoProof
}

// lookUp finds out whether the browser is locked, opens it when the form says how,
// and answers with the locked page where a locked browser may not go on. It says
// whether it has answered.
func (v *visit) lookUp() (answered bool, err error) {
	book := v.book()
	if book == nil {
		return false, nil
	}
	v.locked = book.Locked(v.seat())
	said := ""
	if v.locked && v.r.PostForm.Get("unlock.do") != "" {
		if said, err = v.unlock(); err != nil {
			return false, err
		}
	}
	if !v.locked {
		if v.byHand() {
			book.Use(v.seat())
		}
		return false, nil
	}
	if open, err := v.staysOpen(); open && said == "" || err != nil {
		return false, err
	}
	if v.r.Method == http.MethodGet {
		return true, v.redirect("/locked?back=" + url.QueryEscape(v.r.URL.RequestURI()))
	}
	v.code = http.StatusLocked
	return true, v.locksOut(said)
}

// byHand says that a person, and not the page by itself, asked for this.
func (v *visit) byHand() bool {
	return !v.isFragment() && v.r.URL.Path != "/live" && !strings.HasSuffix(v.r.URL.Path, ".svg")
}

// unlock opens the browser by a PIN, or without proof. Its answer is why it stays
// locked.
func (v *visit) unlock() (said string, err error) {
	got := v.r.PostForm
	people, err := v.people()
	if err != nil {
		return "", err
	}
	i := slices.IndexFunc(people, func(p option) bool { return p.Value == got.Get("unlock.person") })
	if i < 0 {
		return say("lock.who"), nil
	}
	person := people[i]
	if got.Get("unlock.do") == "without" {
		v.book().GoOn(v.seat(), person.Value)
		v.tell(say("who.unproven", person.Label, pins.ErrNone))
	} else {
		if err := v.book().Unlock(v.seat(), person.Value, got.Get("unlock.pin")); err != nil {
			return say("lock.stays", err), nil
		}
		v.tell(say("who.switched", person.Label))
		if got.Get("pin") == "" { // who opens the page by a PIN to send an act has proven the act
			got.Set("pin", got.Get("unlock.pin"))
		}
	}
	v.locked = false
	v.setWho(person.Value)
	return "", nil
}

// tell puts a sentence on the next page.
func (v *visit) tell(text string) { v.s.flash.put(v.sess.id, &flash{Text: text}) }

// openSteps are the pages of a case that never lock, while it is watched.
var openSteps = map[string]bool{"run": true, "slower": true, "clamp": true, "treat": true, "drug": true, "reaction": true}

// staysOpen says that a page is there for a locked browser too.
func (v *visit) staysOpen() (bool, error) {
	switch v.r.URL.Path {
	case "/live", "/locked", "/unlock", "/lock", "/seen", "/used":
		return true, nil
	}
	id := v.r.PathValue("case")
	if id == "" || !openSteps[v.r.PathValue("step")] && !strings.HasSuffix(v.r.URL.Path, "/vitals.svg") {
		return false, nil
	}
	cv, err := v.caseOf(id)
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
func (cv *caseView) watched() bool {
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
	People []option
	Person string // as chosen before
	Action string
	Back   string
	Said   string      // why it stays locked
	Kept   []keptField // what was sent when it was locked, to be sent again
}

type lockedCase struct {
	Patient *patient
	ID      string
	Running *running // nil when no bag runs any more
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
func (s *Site) showLocked(v *visit) error {
	if !v.locked {
		return v.redirect(orText(v.r.URL.Query().Get("back"), s.home()))
	}
	return v.lockedPage(&lockedMore{Action: "/unlock", Back: v.r.URL.Query().Get("back")})
}

// locksOut answers a form that a locked browser sent. Nothing of it is lost: it
// goes on with the name, and with the PIN or without.
func (v *visit) locksOut(said string) error {
	m := &lockedMore{Action: v.r.URL.RequestURI(), Said: said, Back: v.r.PostForm.Get("back"), Person: v.r.PostForm.Get("unlock.person")}
	for name, values := range v.r.PostForm {
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
	return v.lockedPage(m)
}

func (v *visit) lockedPage(m *lockedMore) (err error) {
	if m.People, err = v.people(); err != nil {
		return err
	}
	if len(m.People) == 1 {
		m.Person = m.People[0].Value
	}
	now := &nowMore{}
	err = v.eachOpen(func(cv *caseView) error {
		now.thaws(cv)
		if !cv.watched() {
			return nil
		}
		p := &stepPage{Case: cv}
		if err := prepareRun(v, p); err != nil {
			return err
		}
		run := p.More.(*runMore)
		run.For = cv.patient.Line
		m.Cases = append(m.Cases, lockedCase{cv.patient, cv.ID, cv.running, run, cv.Here})
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
	return v.render("locked", say("lock.title"), "", m)
}

// postUnlock is reached once the browser is open.
func (s *Site) postUnlock(v *visit) error {
	return v.redirect(orText(v.r.PostForm.Get("back"), s.home()))
}

// lock locks the browser with all its tabs.
func (v *visit) lock() error {
	if v.book() == nil {
		return errNowhere
	}
	v.book().Lock(v.seat())
	return v.redirect("/locked?back=" + url.QueryEscape(v.r.PostForm.Get("back")))
}

// seatsChanged is closed when a browser is locked or opened. Asking locks this one
// when it was left alone for too long; so the heartbeat of its own stream does.
func (v *visit) seatsChanged() <-chan struct{} {
	if v.book() == nil {
		return nil
	}
	changed := v.book().Changed()
	v.book().Locked(v.seat())
	return changed
}

// used hears from the script that somebody types, so that a long form does not look
// like a laptop that was left alone.
func (v *visit) used() error {
	v.w.WriteHeader(http.StatusNoContent)
	return nil
}

// people are who may write from this browser.
func (v *visit) people() (out []option, err error) {
	err = query.Reader{Replica: v.s.cfg.Replica}.View(v.r.Context(), func(l *query.ReadView) error {
		out, err = v.peopleIn(l)
		return err
	})
	return out, err
}

// peopleIn are who may write from this browser: all, or the one that its session is
// for.
func (v *visit) peopleIn(l *query.ReadView) ([]option, error) {
	people, err := names(l, event.KindPerson)
	if only := v.sess.person; only != "" {
		people = slices.DeleteFunc(people, func(p option) bool { return p.Value != only })
	}
	return people, err
}

// chooseWho changes who writes from this browser. It never fails for want of a PIN.
func (v *visit) chooseWho() error {
	people, err := v.people()
	if err != nil {
		return err
	}
	i := slices.IndexFunc(people, func(p option) bool { return p.Value == v.r.PostForm.Get("person") })
	if i < 0 {
		return v.redirect(v.r.PostForm.Get("back"))
	}
	v.switchTo(people[i], v.r.PostForm.Get("pin"))
	return v.redirect(v.r.PostForm.Get("back"))
}

// switchTo says who writes from now on, and how that is known.
func (v *visit) switchTo(person option, pin string) {
	v.setWho(person.Value)
	if v.book() == nil {
		return
	}
	switch err := v.book().Switch(v.seat(), person.Value, pin); {
	case err == nil:
		v.tell(say("who.switched", person.Label))
	case v.book().Any():
		v.tell(say("who.unproven", person.Label, err))
	}
}
