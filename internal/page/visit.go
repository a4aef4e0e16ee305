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

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/service"
	pb "thawtrail/proto/thawtrail/v1"
)

// Request is one request of a browser that is signed in, with its answer.
type Request struct {
	Site *Site
	W    http.ResponseWriter
	*http.Request
	Session *Session
	Now     time.Time
	// changes is the store's count before the page was read: the page is as new.
	changes uint64
	Code    int // status of the answer

	Locked bool   // the browser is locked; see seat.go
	chosen string // the person chosen by this very request
}

// Read hands on the read view of the replica: all that is read in it is of one
// moment.
func (req *Request) Read(fn func(service.Look) error) error {
	return req.Site.Replica.Look(req.Context(), fn)
}

// Handler answers a request, or gives an error that a page then tells.
type Handler func(*Request) error

// errNowhere is a page that does not exist.
var ErrNotFound = errors.New("nowhere")

// page registers a handler for GET, or for POST with the session's token.
func (s *Site) Page(pattern string, h Handler) {
	s.mux.HandleFunc(pattern, func(w http.ResponseWriter, r *http.Request) {
		sess := s.sessionOf(r)
		if sess == nil {
			s.turnAway(w, r)
			return
		}
		req := &Request{Site: s, W: w, Request: r, Session: sess, Now: s.Clock.Now(), changes: s.Replica.Store.Changes(), Code: http.StatusOK}
		w.Header().Set("Cache-Control", "no-store")
		if r.Method == http.MethodPost {
			if err := r.ParseForm(); err != nil {
				req.fail(http.StatusRequestEntityTooLarge, say("trouble.large"))
				return
			}
			if !hmac.Equal([]byte(r.PostForm.Get("token")), []byte(s.token(sess))) {
				req.fail(http.StatusForbidden, say("trouble.token"))
				return
			}
		}
		answered, err := req.admit()
		if err == nil && !answered {
			err = h(req)
		}
		if err != nil {
			req.failWith(err)
		}
	})
}

// failWith tells an error as a page.
func (req *Request) failWith(err error) {
	if ref, ok := service.Refusal(err); ok {
		req.fail(http.StatusNotFound, ref.Error())
		return
	}
	if errors.Is(err, ErrNotFound) {
		req.fail(http.StatusNotFound, say("trouble.nowhere"))
		return
	}
	switch status.Code(err) {
	case codes.NotFound:
		req.fail(http.StatusNotFound, status.Convert(err).Message())
	case codes.PermissionDenied:
		req.fail(http.StatusForbidden, status.Convert(err).Message())
	default:
		req.Site.Log.Error("make a page", "page", req.URL.Path, "error", err)
		req.fail(http.StatusInternalServerError, status.Convert(err).Message())
	}
}

func (req *Request) fail(code int, text string) {
	req.Code = code
	if err := req.render("trouble", say("trouble.title"), "", text); err != nil {
		req.Site.Log.Error("make a page", "page", req.URL.Path, "error", err)
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
	People   []Option

	Locked    bool
	Proof     string // how the one who writes is known
	AnyPIN    bool   // somebody has a PIN here
	KeepsPINs bool   // this machine keeps PINs, and they can be set here
	Unsigned  int    // entries of this machine that wait for a name
	Phone     bool   // the page is on a paired phone: one person writes, and some pages are not for it
	Pairs     bool   // phones can be let in here

	Here    string // this page's address
	Token   string
	Flash   *Flash
	Holds   []holdInUse
	Seen    []holdInUse // holds in use that this browser has been told of
	Running *Running    // of the case that this page is about
	Patient *Patient
	Body    any
}

// render writes a page.
func (req *Request) render(name, title, section string, body any) error {
	return req.renderCase(name, title, section, nil, body)
}

// renderCase writes a page that is about one case.
func (req *Request) renderCase(name, title, section string, about *Header, body any) error {
	f := &frame{
		Title: title, Section: section, NowMs: req.Now.UnixMilli(), Changes: req.changes, Hub: req.Site.Replica.Hub, Here: req.URL.RequestURI(),
		Locked: req.Locked, AnyPIN: req.anyPIN(), KeepsPINs: req.pins() != nil && !req.Session.Phone,
		Phone: req.Session.Phone, Pairs: req.Site.Phones != nil && !req.Session.Phone,
		Token: req.Site.token(req.Session), Flash: req.Site.flash.take(req.Session.ID, req.isFragment()), Body: body,
	}
	if req.Method == http.MethodPost {
		f.Here = req.URL.Path
	}
	if about != nil {
		f.Patient, f.Running = about.Patient, about.Running
	}
	err := req.Read(func(l service.Look) error { return f.look(l, req) })
	if err != nil {
		return err
	}
	t, ok := req.Site.tmpl[name]
	if !ok {
		return ErrNotFound
	}
	var out bytes.Buffer
	if err := t.ExecuteTemplate(&out, "layout", f); err != nil {
		return err
	}
	req.W.Header().Set("Content-Type", "text/html; charset=utf-8")
	req.W.WriteHeader(req.Code)
	_, _ = out.WriteTo(req.W) // a browser that went away is no error
	return nil
}

func (f *frame) look(l service.Look, req *Request) error {
	if p := l.Practice(); p != nil {
		f.Practice = p.Name
	}
	f.Fresh, f.Unsent = l.Freshness(), l.Unsent()
	people, err := req.peopleIn(l)
	if err != nil {
		return err
	}
	f.People = people
	f.Who = req.who(people)
	f.Proof = req.proof(f.Who)
	if !req.Locked {
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
	return f.holds(l, req)
}

// holds sorts out the holds on bags in use. One takes the screen until it was
// read, when its bag is in use here: this laptop wrote of its case, or the page is
// about it. The clinic's server is everywhere. A bag that another vet gives
// elsewhere is told of and covers no buttons: they may be needed for the patient
// at this laptop. The patient of the page comes first and has the keys.
func (f *frame) holds(l service.Look, req *Request) error {
	holds, err := holdsInUse(l)
	for _, h := range holds {
		own := f.Patient != nil && f.Patient.Case == h.Case
		h.Elsewhere = !own && !h.Here && !f.Hub
		switch {
		case h.Elsewhere || req.Site.flash.sawHold(req.holdsMemory(), h.Mark()):
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
func (req *Request) isFragment() bool { return req.Header.Get("X-Live") != "" }

// redirect ends a POST. Only places on this site are gone to.
func (req *Request) redirect(to string) error {
	if !strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//") || strings.ContainsAny(to, "\\\r\n") {
		to = req.Site.home()
	}
	http.Redirect(req.W, req.Request, to, http.StatusSeeOther)
	return nil
}

// whoCookie names the person who writes from this browser.
func (req *Request) whoCookie() string { return req.Site.cookie + "-who" }

// who is the person who writes, nobody on a locked page: the one that the session
// is for, the one that was chosen in this browser, else the only one there is.
func (req *Request) who(people []Option) string {
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
	c, err := req.Cookie(req.whoCookie())
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

func (req *Request) setWho(person string) {
	if req.Session.Person != "" {
		return
	}
	req.chosen = person
	// #nosec G124 -- plain HTTP on loopback; a Secure cookie would not come back
	http.SetCookie(req.W, &http.Cookie{
		Name: req.whoCookie(), Value: person, Path: "/", HttpOnly: true, SameSite: http.SameSiteStrictMode, MaxAge: 12 * 3600,
	})
}

// names lists what is known of a kind by name, for lists to choose from, in the
// order in which people look for a name.
func names(l service.Look, kind string) ([]Option, error) {
	var out []Option
	err := l.Each(kind, func(st ledger.State) (bool, error) {
		if name := ledger.NameOf(st); name != "" {
			out = append(out, Option{Value: st.Key().ID, Label: name})
		}
		return len(out) < maxChoices, nil
	})
	slices.SortStableFunc(out, func(a, b Option) int { return compareText(strings.ToLower(a.Label), strings.ToLower(b.Label)) })
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
func holdsInUse(l service.Look) ([]holdInUse, error) {
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

func holdOn(l service.Look, bag *ledger.Bag, h ledger.Hold) (holdInUse, error) {
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
func (req *Request) holdsMemory() string {
	if req.Locked {
		return req.Session.ID + " locked"
	}
	return req.Session.ID
}

// sawHold notes that the person at this browser has been told of a hold.
func sawHold(req *Request) error {
	req.Site.flash.seeHold(req.holdsMemory(), req.PostForm.Get("hold"))
	return req.redirect(req.PostForm.Get("back"))
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
