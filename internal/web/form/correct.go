package form

import (
	"net/http"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/entry"
	"thawtrail/internal/event"
	"thawtrail/internal/input"
	"thawtrail/internal/ledger"
	"thawtrail/internal/query"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// correction is the page that puts one entry right.
type correction struct {
	Form           *Form // the entry as it stands, to be changed
	Void           *Form // says that it never happened; nil when that was said
	Says, At, Who  string
	Back, FullHref string
	Voided         bool
}

// standing is an entry as it stands, for its form.
type standing struct {
	rec  *event.Record
	spec *event.Spec
	body protoreflect.Message // with sealed words in clear
	at   time.Time
	says correction
}

// ServeCorrection serves the form that corrects an entry: it begins with the values that
// stand, each beside its field too. The bag and the patient stay what they are.
func ServeCorrection(req *site.Request) error {
	stands, err := readStanding(req, req.PathValue("record"))
	if err != nil {
		return err
	}
	if !req.Session.MayDecide() && (decidesRights(stands.spec) || stands.rec.Primary().Kind == event.KindPerson) {
		req.Stays()
		return nil
	}
	m := stands.says
	if m.Form, err = stands.form(req); err != nil {
		return err
	}
	if !m.Voided {
		if m.Void, err = stands.void(req); err != nil {
			return err
		}
	}
	chosen := m.Form
	if m.Void != nil && voids(req) {
		chosen = m.Void
	} else if req.Method == http.MethodPost && m.Form.unchanged(stands) {
		m.Form.Refusal = words.Say("correct.unchanged")
	}
	if saved, err := chosen.Sent(); err != nil {
		return err
	} else if saved != nil {
		return req.Redirect(m.Back)
	}
	return m.render(req, stands.rec)
}

// voids says that it was the other form of the page that was sent.
func voids(req *site.Request) bool { return req.PostForm.Get("void") != "" }

// unchanged says that what was sent is what stands.
func (f *Form) unchanged(s *standing) bool {
	clock := Clock(f.req)
	for _, in := range f.Inputs {
		sent, was := in.texts(f.req.PostForm[in.Name]), in.texts(in.typed(clock, s.body))
		slices.Sort(sent)
		slices.Sort(was)
		if !slices.Equal(sent, was) {
			return false
		}
	}
	when := strings.TrimSpace(f.req.PostForm.Get("happened_at"))
	return !s.says.Voided && (when == "" || when == clock.Typed(s.at))
}

// typed is what a person would type for what a field holds.
func (in *Input) typed(clock input.Clock, body protoreflect.Message) []string {
	return input.Field{Clock: clock, Desc: in.desc, Rule: in.rule, Name: in.shown, Scale: in.scale}.Typed(body)
}

// render shows the page, with its patient where the entry is about one.
func (m *correction) render(req *site.Request, r *event.Record) error {
	for _, k := range r.Touches() {
		if k.Kind != event.KindCase {
			continue
		}
		var about site.Header
		err := req.ReadCase(k.ID, func(l *query.ReadView, c *ledger.Case) error {
			about = site.HeaderOf(l, c, req.Now)
			return nil
		})
		if err != nil {
			return err
		}
		return req.RenderCase("correct", words.Say("correct.title"), "barn", &about, m)
	}
	return req.Render("correct", words.Say("correct.title"), "clinic", m)
}

func readStanding(req *site.Request, text string) (*standing, error) {
	out := &standing{}
	err := req.Read(func(l *query.ReadView) error {
		hash, err := l.Record("record", text)
		if err != nil {
			return err
		}
		if out.rec, err = req.Site.Replica.FindRecord("record", hash); err != nil {
			return err
		}
		if !event.Correctable(out.rec.Head.Type) {
			return site.ErrNotFound
		}
		stands, err := l.Standing(out.rec)
		if err != nil {
			return err
		}
		out.spec, _ = event.Lookup(stands.Type)
		if out.spec == nil {
			return site.ErrNotFound
		}
		out.body, out.at = l.Opened(stands).ProtoReflect(), time.UnixMilli(stands.AtMs).In(l.Zone())
		out.says = correction{
			Says: l.Tell(out.rec.Primary(), stands.Type, stands.Body, stands.AtMs).String(), At: words.Moment(out.at), Who: l.Person(out.rec.Head.Author), Voided: stands.Voided,
			Back: backOf(out.rec), FullHref: "/record/" + out.rec.Hash.String(),
		}
		return nil
	})
	return out, err
}

// backOf is the page on which an entry is told.
func backOf(r *event.Record) string {
	to := "/record/" + r.Hash.String()
	for _, k := range r.Touches() {
		switch k.Kind {
		case event.KindCase:
			return "/case/" + k.ID + "/sheet"
		case event.KindBag:
			to = "/bag/" + k.ID
		case event.KindPerson:
			if r.Primary() == k {
				to = "/owner/person/" + k.ID
			}
		}
	}
	return to
}

// form is the form of the entry, filled with what stands.
func (s *standing) form(req *site.Request) (*Form, error) {
	f, err := New(req, s.spec.Name)
	if err != nil {
		return nil, err
	}
	f.asCorrection(s, false)
	f.Submit, f.Later, f.Was = words.Say("correct.press"), false, words.Say("correct.was", words.Moment(s.at))
	clock := Clock(req)
	f.When = clock.Typed(s.at)
	hidden := map[protoreflect.FieldDescriptor]bool{}
	f.Inputs = slices.DeleteFunc(f.Inputs, func(in *Input) bool {
		fixed := in.rule.Entity == event.KindCase || in.rule.Entity == event.KindBag && !in.desc.IsList()
		if fixed && s.body.Has(in.desc) {
			f.Preset[in.Name] = s.body.Get(in.desc).String()
		}
		hidden[in.desc] = !fixed && (in.rule.Generate || !typable(in))
		return fixed || hidden[in.desc]
	})
	f.Amend = func(m proto.Message) { // what is not shown stays as it is
		to := m.ProtoReflect()
		for _, field := range fieldsOf(to) {
			if hidden[field] && s.body.Has(field) && !event.RuleOf(field).Generate {
				to.Set(field, s.body.Get(field))
			}
		}
	}
	for _, in := range f.Inputs {
		in.stands(clock, s.body, req.Method == http.MethodGet || voids(req))
	}
	return f, nil
}

func fieldsOf(m protoreflect.Message) (out []protoreflect.FieldDescriptor) {
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		out = append(out, fields.Get(i))
	}
	return out
}

// typable says that a person types the field: not what a plan was shown as.
func typable(in *Input) bool { return in.Name != "inputs" && in.Name != "result" }

// stands puts beside a field what stands, and into it when the page is first read.
func (in *Input) stands(clock input.Clock, body protoreflect.Message, fill bool) {
	texts := in.typed(clock, body)
	if fill {
		in.Keep(texts)
	}
	switch in.Kind { // a choice shows what stands itself; what is long does not stand twice
	case KindChoose, KindTicks, KindYes, kindPick, kindLong, KindBags:
		return
	}
	if len(texts) > 0 {
		in.Beside = words.Say("correct.was", strings.Join(texts, ", "))
	}
}

// void is the form that says that the entry never happened.
func (s *standing) void(req *site.Request) (*Form, error) {
	f, err := New(req, s.spec.Name)
	if err != nil {
		return nil, err
	}
	f.Inputs, f.Submit, f.Carry = nil, words.Say("correct.void_press"), map[string]string{"void": "yes"}
	f.asCorrection(s, true)
	f.ID = "void"
	return f, nil
}

// asCorrection turns what a form writes into a correction of the entry.
func (f *Form) asCorrection(s *standing, void bool) {
	spec := SpecOf("corrected")
	f.SignLater, f.AsksPIN, f.PastPIN = false, f.req.AnyPIN() && entry.AsksPIN(spec), false
	f.Corrects = true
	f.instead = func(ask *pb.WriteRequest) {
		c := &pb.Corrected{Original: s.rec.Hash.String(), Void: void, Reason: strings.TrimSpace(f.Reason)}
		if at := ask.OccurredAt; !void && at != nil && at.UnixMs != s.at.Truncate(time.Second).UnixMilli() {
			c.OccurredAt = at
		}
		if !void {
			ask.Replacement = ask.Entry
		}
		ask.OccurredAt = nil
		ask.Entry = &pb.Entry{Body: &pb.Entry_Corrected{Corrected: c}}
	}
}

// Undo takes back at once what was just entered. Once the minute is over the form asks
// why.
func Undo(req *site.Request) error {
	record := req.PostForm.Get("record")
	stands, err := readStanding(req, record)
	if err != nil {
		return err
	}
	c := &pb.Corrected{Original: stands.rec.Hash.String(), Void: true}
	saved, err := Write(req, "", "corrected", c)
	if err != nil {
		req.Tell(words.Say("correct.too_late"))
		return req.Redirect("/correct/" + c.Original)
	}
	req.Saved(saved)
	to := req.PostForm.Get("back")
	if to == "" {
		to = stands.says.Back
	}
	return req.Redirect(to)
}
