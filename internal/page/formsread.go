package page

import (
	"slices"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/event"
	"thawtrail/internal/refusal"
	"thawtrail/internal/service"
	"thawtrail/internal/typed"
	pb "thawtrail/proto/thawtrail/v1"
)

// post reads what was sent and writes the record. It says whether it was saved;
// if not, the form shows why and keeps what was typed.
func (f *Form) post() (*pb.WriteResponse, bool, error) {
	got := f.req.PostForm
	if id := got.Get("request_id"); id != "" && len(id) <= 60 {
		f.RequestID = id
	}
	m := f.spec.New()
	err := f.fill(m.ProtoReflect())
	if f.amend != nil {
		f.amend(m)
	}
	ask := &pb.WriteRequest{RequestId: f.RequestID}
	if err == nil {
		err = f.circumstances(ask)
	}
	if err == nil {
		ask.Entry, err = event.Wrap(f.spec.Type, m)
	}
	if err != nil {
		return nil, false, f.told(err)
	}
	out, err := f.req.Site.Records.WriteBy(f.req.Context(), f.req.actor(), ask)
	if err != nil {
		return nil, false, f.told(err)
	}
	return out, true, nil
}

// fill reads every field; the first that does not fit is the one that is told,
// but all keep what was typed.
func (f *Form) fill(m protoreflect.Message) (first error) {
	clock := f.req.clock()
	for _, in := range f.Inputs {
		texts := f.req.PostForm[in.Name]
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

func (in *Input) wanted() string {
	if in.Kind == kindChoose || in.Kind == kindPick {
		return say("form.choose_one")
	}
	if in.rule.Help != "" {
		return in.rule.Help
	}
	return say("form.a_value")
}

// keep shows again what was typed.
func (in *Input) keep(texts []string) {
	for i := range in.Options {
		in.Options[i].Checked = slices.Contains(texts, in.Options[i].Value)
	}
	in.Value = strings.Join(texts, "\n")
}

// texts are the items to read: blank ones are not there, a list in a text box is
// one item a line, bag numbers part at any space or comma.
func (in *Input) texts(raw []string) []string {
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
func (f *Form) circumstances(ask *pb.WriteRequest) error {
	got := f.req.PostForm
	f.When = strings.TrimSpace(got.Get("happened_at"))
	if f.When != "" {
		at, err := f.req.clock().Moment("when", f.When)
		if err != nil {
			return err
		}
		ask.OccurredAt = at
	} else if f.Later {
		return refusal.New("when", "", say("form.when_wanted"))
	}
	ask.Pin = got.Get("pin")
	if f.req.Session.Person == "" {
		f.By = got.Get("said_by")
	}
	if f.By != "" && !f.req.Locked {
		ask.Author = f.By
		f.req.setWho(f.By)
	} else if err := f.author(ask); err != nil {
		return err
	}
	for key := range got {
		if code, ok := strings.CutPrefix(key, "override."); ok && strings.TrimSpace(got.Get(key)) != "" {
			ask.Overrides = append(ask.Overrides, &pb.Override{Code: code, Reason: got.Get(key)})
		}
	}
	return nil
}

func (f *Form) author(ask *pb.WriteRequest) error {
	return f.req.Read(func(l service.Look) error {
		people, err := f.req.peopleIn(l)
		ask.Author = f.req.who(people)
		return err
	})
}

// told puts a refusal beside its field. Anything else is an error of the page.
func (f *Form) told(err error) error {
	ref, ok := service.Refusal(err)
	if !ok {
		if text, plain := plainly(err); plain {
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
		f.Override = &override{Code: ref.Value, Text: ref.Hint, Value: f.req.PostForm.Get("override." + ref.Value)}
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
func (f *Form) wrong() bool {
	if f.Refusal != "" || f.Override != nil || f.WhenError != "" || f.ByError != "" {
		return true
	}
	return slices.ContainsFunc(f.Inputs, func(in *Input) bool { return in.Error != "" })
}

// writer is who writes here; empty when that is not known: a case is taken over
// first and signed later.
func (req *Request) writer() string {
	ask := &pb.WriteRequest{}
	if (&Form{req: req}).author(ask) != nil {
		return ""
	}
	return ask.Author
}
