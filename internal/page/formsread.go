package page

import (
	"slices"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/event"
	"thawtrail/internal/query"
	"thawtrail/internal/refusal"
	"thawtrail/internal/typed"
	pb "thawtrail/proto/thawtrail/v1"
)

// post reads what was sent and writes the record. It says whether it was saved;
// if not, the form shows why and keeps what was typed.
func (f *form) post() (*pb.WriteResponse, bool, error) {
	got := f.v.r.PostForm
	if id := got.Get("request_id"); id != "" && len(id) <= 60 {
		f.RequestID = id
	}
	m := f.spec.New()
	err := f.fill(m.ProtoReflect())
	if f.amend != nil {
		f.amend(m)
	}
	req := &pb.WriteRequest{RequestId: f.RequestID}
	if err == nil {
		err = f.circumstances(req)
	}
	if err == nil {
		req.Entry, err = event.Wrap(f.spec.Type, m)
	}
	if err != nil {
		return nil, false, f.told(err)
	}
	out, err := f.v.s.records.WriteBy(f.v.r.Context(), f.v.hand(), req)
	if err != nil {
		return nil, false, f.told(err)
	}
	return out, true, nil
}

// fill reads every field; the first that does not fit is the one that is told,
// but all keep what was typed.
func (f *form) fill(m protoreflect.Message) (first error) {
	clock := f.v.clock()
	for _, in := range f.Inputs {
		texts := f.v.r.PostForm[in.Name]
		in.keep(texts)
		texts = in.texts(texts)
		if len(texts) == 0 {
			if in.Required && first == nil && in.Kind != kindYes {
				first = refusal.New(in.shown, "", in.wanted())
			}
			continue
		}
		err := typed.Field{Clock: clock, Desc: in.desc, Rule: in.rule, Name: in.shown, Scale: in.scale}.Put(m, texts)
		if err != nil && first == nil {
			first = err
		}
	}
	for field, text := range f.preset {
		d := f.spec.Message().Fields().ByName(protoreflect.Name(field))
		rule := event.RuleOf(d)
		if err := (typed.Field{Clock: clock, Desc: d, Rule: rule, Name: field, Scale: 1}).Put(m, []string{text}); err != nil && first == nil {
			first = err
		}
	}
	return first
}

func (in *input) wanted() string {
	if in.Kind == kindChoose || in.Kind == kindPick {
		return say("form.choose_one")
	}
	if in.rule.Help != "" {
		return in.rule.Help
	}
	return say("form.a_value")
}

// keep shows again what was typed.
func (in *input) keep(texts []string) {
	for i := range in.Options {
		in.Options[i].Checked = slices.Contains(texts, in.Options[i].Value)
	}
	in.Value = strings.Join(texts, "\n")
}

// texts are the items to read: blank ones are not there, a list in a text box is
// one item a line, bag numbers part at any space or comma.
func (in *input) texts(raw []string) []string {
	var out []string
	for _, t := range raw {
		switch {
		case in.Kind == kindBags:
			out = append(out, strings.FieldsFunc(t, func(r rune) bool { return r == ',' || r == ';' || r == '\n' || r == '\r' || r == '\t' })...)
		case in.Kind == kindLong && in.desc.IsList():
			out = append(out, strings.Split(t, "\n")...)
		default:
			out = append(out, strings.ReplaceAll(t, "\r\n", "\n"))
		}
	}
	for i := range out {
		out[i] = strings.TrimSpace(out[i])
	}
	return slices.DeleteFunc(out, func(t string) bool { return t == "" })
}

// circumstances reads when it happened, who says so, and reasons for cautions.
func (f *form) circumstances(req *pb.WriteRequest) error {
	got := f.v.r.PostForm
	f.When = strings.TrimSpace(got.Get("happened_at"))
	if f.When != "" {
		at, err := f.v.clock().Moment("when", f.When)
		if err != nil {
			return err
		}
		req.OccurredAt = at
	} else if f.Later {
		return refusal.New("when", "", say("form.when_wanted"))
	}
	req.Pin = got.Get("pin")
	if f.v.sess.person == "" {
		f.By = got.Get("said_by")
	}
	if f.By != "" && !f.v.locked {
		req.Author = f.By
		f.v.setWho(f.By)
	} else if err := f.author(req); err != nil {
		return err
	}
	for key := range got {
		if code, ok := strings.CutPrefix(key, "override."); ok && strings.TrimSpace(got.Get(key)) != "" {
			req.Overrides = append(req.Overrides, &pb.Override{Code: code, Reason: got.Get(key)})
		}
	}
	return nil
}

func (f *form) author(req *pb.WriteRequest) error {
	return query.Reader{Replica: f.v.s.cfg.Replica}.View(f.v.r.Context(), func(l *query.ReadView) error {
		people, err := f.v.peopleIn(l)
		req.Author = f.v.who(people)
		return err
	})
}

// told puts a refusal beside its field. Anything else is an error of the page.
func (f *form) told(err error) error {
	ref, ok := refusal.As(err)
	if !ok {
		if text, plain := refusal.Plain(err); plain {
			f.Refusal = text
			return nil
		}
		return err
	}
	text := say("form.expected", ref.Want)
	if ref.Value != "" {
		text = say("form.unfit", ref.Value, text)
	}
	if ref.Hint != "" {
		text += " " + strings.ToUpper(ref.Hint[:1]) + ref.Hint[1:] + "."
	}
	switch {
	case ref.Field == "override":
		f.Override = &override{Code: ref.Value, Text: ref.Hint, Value: f.v.r.PostForm.Get("override." + ref.Value)}
	case ref.Field == "when" || ref.Field == "occurred_at":
		f.WhenError = text
	case ref.Field == "by" && f.input("by").Name == "":
		f.ByError = text
	default:
		for _, in := range f.Inputs {
			if in.shown == ref.Field || in.Name == ref.Field {
				in.Error = text
				return nil
			}
		}
		f.Refusal = ref.Error()
	}
	return nil
}

// wrong says that the form has to be shown again.
func (f *form) wrong() bool {
	if f.Refusal != "" || f.Override != nil || f.WhenError != "" || f.ByError != "" {
		return true
	}
	return slices.ContainsFunc(f.Inputs, func(in *input) bool { return in.Error != "" })
}
