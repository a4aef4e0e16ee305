package site

import (
	"bytes"
	"html"
	"net/http"
	"slices"
	"time"

	"thawtrail/internal/query"
	"thawtrail/internal/replica"
	"thawtrail/internal/unit"
	"thawtrail/internal/web/words"
)

// frame is what every page has around its own content.
type frame struct {
	Title    string
	Section  string // barn, clinic, owner
	NowMs    int64
	Changes  uint64 // what the page has seen; the live stream tells of more
	Hub      bool
	Practice string
	Fresh    string          // how old an answer about what lies elsewhere may be
	Short    string          // the same in a few words, with what is not sent yet
	Clock    *query.ClockOff // nil while this machine's clock is not known to be off
	Unsent   int
	Who      string // who writes; empty when nobody is chosen
	WhoID    string
	Zone     string // the practice's
	People   []Option

	Locked    bool
	Proof     string // how the one who writes is known
	AnyPIN    bool   // somebody has a PIN here
	KeepsPINs bool   // this machine keeps PINs, and they can be set here
	Unsigned  int    // entries of this machine that wait for a name
	Phone     bool   // the page is on a paired phone: one person writes, and some pages are not for it
	Pairs     bool   // phones can be let in here

	Rehearsal bool           // nothing on the page is real
	Scene     *replica.Scene // what goes on in it; nil on its server
	Rehearses bool           // rehearsals can be started here

	Here  string // this page's address
	Token string
	Flash *Flash
	// FlashBelow says that the page itself shows what was saved, below its numbers.
	FlashBelow bool
	Refused    []refused // why the form of this page was not saved
	Holds      []holdInUse
	Seen       []holdInUse // holds in use that this browser has been told of
	Running    *Running    // of the case that this page is about
	Patient    *Patient
	Others     []other // beside that patient
	Body       any

	hours12 bool // the clock of twelve hours is shown beside each time of day
}

// Render writes a page.
func (req *Request) Render(name, title, section string, body any) error {
	return req.RenderCase(name, title, section, nil, body)
}

// RenderCase writes a page that is about one case.
func (req *Request) RenderCase(name, title, section string, about *Header, body any) error {
	f := &frame{
		Title: title, Section: section, NowMs: req.Now.UnixMilli(), Changes: req.changes, Hub: req.Site.Replica.Hub, Here: req.URL.RequestURI(),
		Locked: req.Locked, AnyPIN: req.AnyPIN(), KeepsPINs: req.PINs() != nil && !req.Session.Phone,
		Phone: req.Session.Phone, Pairs: req.Site.Phones != nil && req.Session.MayDecide(),
		FlashBelow: req.FlashBelow,
		Token:      req.Site.Token(req.Session), Flash: req.Site.flash.take(req.Session.ID, req.isFragment()), Body: body,
	}
	if req.Method == http.MethodPost {
		f.Here = req.URL.Path
	}
	f.Refused = req.refusals
	if err := f.rehearse(req); err != nil {
		return err
	}
	if about != nil {
		f.Patient, f.Running = about.Patient, about.Running
	}
	err := req.Read(func(l *query.ReadView) error { return f.look(l, req) })
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
	page := out.Bytes()
	if words.Translates() {
		page = inTexts(page, func(text string) string { return html.EscapeString(words.Told(html.UnescapeString(text))) })
	}
	if f.hours12 {
		page = inTexts(page, unit.Hours12)
	}
	sendText(req.W, req.Request, req.Code, "text/html; charset=utf-8", page)
	return nil
}

// rehearse marks the pages of a rehearsal, and leads to one from those of real work.
func (f *frame) rehearse(req *Request) error {
	r := req.Site.Replica
	f.Rehearsal, f.Rehearses = r.Rehearsal(), r.Rehearsals != nil && !req.Session.Phone
	if r.Script == nil {
		return nil
	}
	scene, err := r.Script.Scene(req.Context())
	f.Scene = &scene
	return err
}

func (f *frame) look(l *query.ReadView, req *Request) error {
	if p := l.Practice(); p != nil {
		f.Practice = p.Name
	}
	f.hours12 = l.Beside().Hours12
	f.Fresh, f.Unsent, f.Clock = l.Freshness(), l.Unsent(), l.ClockOff()
	f.Short = shortly(l, f.Unsent)
	people, err := req.PeopleIn(l)
	if err != nil {
		return err
	}
	f.People = people
	f.WhoID, f.Zone = req.Who(people), l.Zone().String()
	f.Who = f.WhoID
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
	if err := f.readOthers(l); err != nil {
		return err
	}
	return f.holds(l, req)
}

// shortly says in the words of the bar how old the page may be and what waits here.
func shortly(l *query.ReadView, unsent int) string {
	text := ""
	switch at, from := l.Heard(); {
	case from == query.FromHub:
		text = words.Say("frame.is_server")
	case from == query.Alone:
		text = words.Say("frame.is_alone")
	case at.IsZero():
		text = words.Say("frame.not_heard")
	default:
		text = words.Say("frame.heard", shortAge(l.Now().Sub(at)))
	}
	if unsent > 0 {
		text = words.Say("frame.and_unsent", text, unsent)
	}
	return text
}

// shortAge is a time that is past, rounded down: 5 min, 3 h, 2 d.
func shortAge(d time.Duration) string {
	switch {
	case d < 2*time.Hour:
		return words.Say("time.short_min", int(d.Minutes()))
	case d < 48*time.Hour:
		return words.Say("time.short_h", int(d.Hours()))
	}
	return words.Say("time.short_d", int(d.Hours()/24))
}

// holds sorts out the holds on bags in use. One takes the screen until it was
// read, when its bag is in use here: this laptop wrote of its case, or the page is
// about it. The clinic's server is everywhere. A bag that another vet gives
// elsewhere is told of and covers no buttons: they may be needed for the patient
// at this laptop. The patient of the page comes first and has the keys.
func (f *frame) holds(l *query.ReadView, req *Request) error {
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
