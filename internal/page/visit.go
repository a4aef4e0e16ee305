package page

import (
	"bytes"
	"crypto/hmac"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"net/http"
	"slices"
	"strings"
	"time"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/query"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// visit is one request of a browser that is signed in.
type visit struct {
	s    *Site
	w    http.ResponseWriter
	r    *http.Request
	sess *session
	now  time.Time
	// changes is the store's count before the page was read: the page is as new.
	changes uint64
	code    int // status of the answer

	locked bool   // the browser is locked; see seat.go
	chosen string // the person chosen by this very request
}

// handler answers a visit, or gives an error that a page then tells.
type handler func(*visit) error

// errNowhere is a page that does not exist.
var errNowhere = errors.New("nowhere")

// page registers a handler for GET, or for POST with the session's token.
func (s *Site) page(pattern string, h handler) {
	s.mux.HandleFunc(pattern, func(w http.ResponseWriter, r *http.Request) {
		sess := s.sessionOf(r)
		if sess == nil {
			s.turnAway(w, r)
			return
		}
		v := &visit{s: s, w: w, r: r, sess: sess, now: s.cfg.Clock.Now(), changes: s.cfg.Replica.Store.Changes(), code: http.StatusOK}
		w.Header().Set("Cache-Control", "no-store")
		if r.Method == http.MethodPost {
			if err := r.ParseForm(); err != nil {
				v.fail(http.StatusRequestEntityTooLarge, say("trouble.large"))
				return
			}
			if !hmac.Equal([]byte(r.PostForm.Get("token")), []byte(s.token(sess))) {
				v.fail(http.StatusForbidden, say("trouble.token"))
				return
			}
		}
		answered, err := v.lookUp()
		if err == nil && !answered {
			err = h(v)
		}
		if err != nil {
			v.failWith(err)
		}
	})
}

// failWith tells an error as a page.
func (v *visit) failWith(err error) {
	if ref, ok := refusal.As(err); ok {
		v.fail(http.StatusNotFound, ref.Error())
		return
	}
	if errors.Is(err, errNowhere) {
		v.fail(http.StatusNotFound, say("trouble.nowhere"))
		return
	}
	switch {
	case errors.Is(err, refusal.ErrNotFound):
		v.fail(http.StatusNotFound, err.Error())
	case errors.Is(err, refusal.ErrDenied):
		v.fail(http.StatusForbidden, err.Error())
	default:
		v.s.cfg.Log.Error("make a page", "page", v.r.URL.Path, "error", err)
		v.fail(http.StatusInternalServerError, err.Error())
	}
}

func (v *visit) fail(code int, text string) {
	v.code = code
	if err := v.render("trouble", say("trouble.title"), "", text); err != nil {
		v.s.cfg.Log.Error("make a page", "page", v.r.URL.Path, "error", err)
	}
}

// frame is what every page has around its own content.
type frame struct {
	Title    string
	Section  string // barn, clinic, owner
	NowMs    int64
	Changes  uint64 // what the page has seen; the live stream tells of more
	Hub      bool
	Practice string
	Fresh    string
	Unsent   int
	Who      string // who writes; empty when nobody is chosen
	People   []option

	Locked    bool
	Proof     string // how the one who writes is known
	AnyPIN    bool   // somebody has a PIN here
	KeepsPINs bool   // this machine keeps PINs, and they can be set here
	Unsigned  int    // entries of this machine that wait for a name
	Phone     bool   // the page is on a paired phone: one person writes, and some pages are not for it
	Pairs     bool   // phones can be let in here

	Here    string // this page's address
	Token   string
	Flash   *flash
	Holds   []holdInUse
	Seen    []holdInUse // holds in use that this browser has been told of
	Running *running    // of the case that this page is about
	Patient *patient
	Body    any
}

// render writes a page.
func (v *visit) render(name, title, section string, body any) error {
	return v.renderCase(name, title, section, nil, body)
}

// renderCase writes a page that is about one case.
func (v *visit) renderCase(name, title, section string, about *aboutCase, body any) error {
	f := &frame{
		Title: title, Section: section, NowMs: v.now.UnixMilli(), Changes: v.changes, Hub: v.s.cfg.Replica.Hub, Here: v.r.URL.RequestURI(),
		Locked: v.locked, AnyPIN: v.anyPIN(), KeepsPINs: v.book() != nil && !v.sess.phone,
		Phone: v.sess.phone, Pairs: v.s.cfg.Phones != nil && !v.sess.phone,
		Token: v.s.token(v.sess), Flash: v.s.flash.take(v.sess.id, v.isFragment()), Body: body,
	}
	if v.r.Method == http.MethodPost {
		f.Here = v.r.URL.Path
	}
	if about != nil {
		f.Patient, f.Running = about.patient, about.running
	}
	err := query.Reader{Replica: v.s.cfg.Replica}.View(v.r.Context(), func(l *query.ReadView) error { return f.look(l, v) })
	if err != nil {
		return err
	}
	t, ok := v.s.tmpl[name]
	if !ok {
		return errNowhere
	}
	var out bytes.Buffer
	if err := t.ExecuteTemplate(&out, "layout", f); err != nil {
		return err
	}
	v.w.Header().Set("Content-Type", "text/html; charset=utf-8")
	v.w.WriteHeader(v.code)
	_, _ = out.WriteTo(v.w) // a browser that went away is no error
	return nil
}

func (f *frame) look(l *query.ReadView, v *visit) error {
	if p := l.Practice(); p != nil {
		f.Practice = p.Name
	}
	f.Fresh, f.Unsent = l.Freshness(), l.Unsent()
	people, err := v.peopleIn(l)
	if err != nil {
		return err
	}
	f.People = people
	f.Who = v.who(people)
	f.Proof = v.proof(f.Who)
	if !v.locked {
		waiting, err := l.Unsigned()
		if err != nil {
			return err
		}
		f.Unsigned = len(waiting)
	}
	for i := range f.People {
		f.People[i].Checked = f.People[i].Value == f.Who
		if f.People[i].Checked {
			defer func(name string) { f.Who = name }(f.People[i].Label)
		}
	}
	return f.holds(l, v)
}

// holds sorts out the holds on bags in use. One takes the screen until it was
// read, when its bag is in use here: this laptop wrote of its case, or the page is
// about it. The clinic's server is everywhere. A bag that another vet gives
// elsewhere is told of and covers no buttons: they may be needed for the patient
// at this laptop. The patient of the page comes first and has the keys.
func (f *frame) holds(l *query.ReadView, v *visit) error {
	holds, err := holdsInUse(l)
	for _, h := range holds {
		own := f.Patient != nil && f.Patient.Case == h.Case
		h.Elsewhere = !own && !h.Here && !f.Hub
		switch {
		case h.Elsewhere || v.s.flash.sawHold(v.holdsMemory(), h.Mark()):
			f.Seen = append(f.Seen, h)
		case own:
			f.Holds = slices.Insert(f.Holds, 0, h)
		default:
			f.Holds = append(f.Holds, h)
		}
	}
	if i := slices.IndexFunc(f.Holds, func(h holdInUse) bool { return h.Running }); i >= 0 {
		f.Holds[i].Keys = true
	}
	return err
}

// isFragment says that the script asks, to renew the live parts.
func (v *visit) isFragment() bool { return v.r.Header.Get("X-Live") != "" }

// redirect ends a POST. Only places on this site are gone to.
func (v *visit) redirect(to string) error {
	if !strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//") || strings.ContainsAny(to, "\\\r\n") {
		to = v.s.home()
	}
	http.Redirect(v.w, v.r, to, http.StatusSeeOther)
	return nil
}

// whoCookie names the person who writes from this browser.
func (v *visit) whoCookie() string { return v.s.cookie + "-who" }

// who is the person who writes, nobody on a locked page: the one that the session
// is for, the one that was chosen in this browser, else the only one there is.
func (v *visit) who(people []option) string {
	if v.locked {
		return ""
	}
	if v.sess.person != "" {
		return v.sess.person
	}
	if v.chosen != "" {
		return v.chosen
	}
	if len(people) == 1 {
		return people[0].Value
	}
	c, err := v.r.Cookie(v.whoCookie())
	if err != nil {
		return ""
	}
	for _, p := range people {
		if p.Value == c.Value {
			return p.Value
		}
	}
	return ""
}

func (v *visit) setWho(person string) {
	if v.sess.person != "" {
		return
	}
	v.chosen = person
	// #nosec G124 -- plain HTTP on loopback; a Secure cookie would not come back
	http.SetCookie(v.w, &http.Cookie{
		Name: v.whoCookie(), Value: person, Path: "/", HttpOnly: true, SameSite: http.SameSiteStrictMode, MaxAge: 12 * 3600,
	})
}

// names lists what is known of a kind by name, for lists to choose from, in the
// order in which people look for a name.
func names(l *query.ReadView, kind string) ([]option, error) {
	var out []option
	err := l.Each(kind, func(st ledger.State) (bool, error) {
		if name := ledger.NameOf(st); name != "" {
			out = append(out, option{Value: st.Key().ID, Label: name})
		}
		return len(out) < maxChoices, nil
	})
	slices.SortStableFunc(out, func(a, b option) int { return compareText(strings.ToLower(a.Label), strings.ToLower(b.Label)) })
	return out, err
}

// maxChoices bounds a list to choose from.
const maxChoices = 500

// newRequestID makes the id that keeps one form one record.
func newRequestID() string {
	raw := make([]byte, 12)
	if _, err := rand.Read(raw); err != nil {
		panic(err) // crypto/rand never fails on the systems we run on
	}
	return "page-" + hex.EncodeToString(raw)
}

// holdInUse is a hold or recall on a bag that is thawed, thawing or running.
type holdInUse struct {
	Record, Kind, At, Reason, Who string
	Telephone, Maker              string
	Bag, Product, Batch           string
	Case, Patient                 string
	Running                       bool
	Here                          bool // this device wrote of the bag's case
	Elsewhere                     bool // in use, but not here and not on this page
	Keys                          bool // F8 and F9 are for this one
}

// Mark names what a person says to have read: this hold on this bag. Another bag
// of the batch, the other twin's say, is told of in its own right.
func (h holdInUse) Mark() string { return h.Record + "." + h.Bag }

// holdsInUse finds every standing hold on a bag in use, with its patient.
func holdsInUse(l *query.ReadView) ([]holdInUse, error) {
	var out []holdInUse
	err := l.Bags(ledger.TermInUse, func(line *ledger.BagLine) error {
		holds, err := l.HoldsOn(line.Label)
		if err != nil || len(holds) == 0 {
			return err
		}
		bag, err := l.Bag(line.ID)
		if err != nil || bag == nil {
			return err
		}
		for _, h := range holds {
			hold, err := holdOn(l, bag, h)
			if err != nil {
				return err
			}
			out = append(out, hold)
		}
		return nil
	})
	return out, err
}

func holdOn(l *query.ReadView, bag *ledger.Bag, h ledger.Hold) (holdInUse, error) {
	out := holdInUse{
		Record: h.Stamp.Record.String(), Kind: say("word.hold"), At: clockText(time.UnixMilli(h.Stamp.AtMs).In(l.Zone())),
		Reason: h.Reason, Who: l.Person(h.Stamp.Author), Telephone: h.SupportTelephone,
		Bag: bagText(bag.Entity.ID), Product: l.Name(event.KindProduct, bag.Label.Product), Batch: bag.Label.Batch,
		Running: bag.Running(),
	}
	if h.Recall {
		out.Kind = say("word.recall")
	}
	if card, err := l.Card(bag.Label.Product); err != nil {
		return out, err
	} else if card != nil {
		out.Maker = card.Maker
		if out.Telephone == "" {
			out.Telephone = card.SupportTelephone
		}
	}
	id := ""
	if n := len(bag.Uses); n > 0 {
		id = bag.Uses[n-1].Case
	} else if n := len(bag.Thaws); n > 0 {
		id = bag.Thaws[n-1].Case
	}
	c, err := l.Case(id)
	if c != nil {
		out.Case, out.Patient, out.Here = id, l.Patient(c), l.WrittenHere(c.Timeline)
	} else { // thawed for no case: whoever wrote of the bag may have it
		out.Here = l.WrittenHere(bag.Timeline)
	}
	return out, err
}

// holdsMemory is where is noted which holds were read. What was read on a locked
// page takes the screen again once somebody has opened it.
func (v *visit) holdsMemory() string {
	if v.locked {
		return v.sess.id + " locked"
	}
	return v.sess.id
}

// sawHold notes that the person at this browser has been told of a hold.
func (v *visit) sawHold() error {
	v.s.flash.seeHold(v.holdsMemory(), v.r.PostForm.Get("hold"))
	return v.redirect(v.r.PostForm.Get("back"))
}

// clockText is a time for people: never ambiguous, to the minute.
func clockText(t time.Time) string { return t.Format(say("time.moment")) }

// timeOf reads the RFC 3339 of an answer.
func timeOf(text string) time.Time {
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		return time.Time{}
	}
	return t
}

// savedWords says how far a record has come.
func savedWords(s pb.SavedState) string {
	switch s {
	case pb.SavedState_SAVED_STATE_SENT:
		return say("saved.sent")
	case pb.SavedState_SAVED_STATE_HELD_ON_SERVER:
		return say("saved.held")
	}
	return say("saved.here")
}
