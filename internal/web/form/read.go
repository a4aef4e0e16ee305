package form

import (
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/entry"
	"thawtrail/internal/event"
	"thawtrail/internal/input"
	"thawtrail/internal/query"
	"thawtrail/internal/refusal"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// Post reads what was sent and writes the record, of which the next page tells. When
// it was refused there is none: the form shows why and keeps what was input.
func (f *Form) Post() (*pb.WriteResponse, error) {
	got := f.req.PostForm
	if id := got.Get("request_id"); id != "" && len(id) <= 60 {
		f.RequestID = id
	}
	m := f.Spec.New()
	if err := f.Fill(m.ProtoReflect()); err != nil {
		return nil, err
	}
	if f.Amend != nil {
		f.Amend(m)
	}
	ask, err := f.Asks()
	if err != nil || f.Refused() {
		return nil, err
	}
	if ask.Entry, err = event.Wrap(f.Spec.Type, m); err != nil {
		return nil, err
	}
	if f.instead != nil {
		f.instead(ask)
	}
	out, err := f.req.Site.Records.WriteBy(f.req.Context(), f.req.Actor(), ask)
	if err != nil {
		err = f.tell(err)
		f.Refused()
		return nil, err
	}
	f.req.Saved(out)
	return out, nil
}

// Asks begins what is asked for: who says so, when it happened, and reasons to go on. What
// is wrong with those stands in the form.
func (f *Form) Asks() (*pb.WriteRequest, error) {
	ask := &pb.WriteRequest{RequestId: f.RequestID}
	if err := f.circumstances(ask); err != nil {
		return ask, f.tell(err)
	}
	return ask, nil
}

// Among makes the form one of several in one page's form: its fields are told apart by a
// number.
func (f *Form) Among(n int) *Form {
	f.ID += "-" + strconv.Itoa(n)
	for _, in := range f.Inputs {
		in.Name += "_" + strconv.Itoa(n)
	}
	return f
}

// PostTo posts the form and says where to go: nowhere when it was refused.
func (f *Form) PostTo(address string) (to string, err error) {
	if f == nil {
		return "", site.ErrNotFound
	}
	if saved, err := f.Post(); err != nil || saved == nil {
		return "", err
	}
	return address, nil
}

// Sent posts the form of a page that is read and sent at one address. There is no
// record when the page is only read, or has to be shown again.
func (f *Form) Sent() (saved *pb.WriteResponse, err error) {
	if f.req.Method != http.MethodPost {
		return nil, nil
	}
	if saved, err = f.Post(); saved == nil {
		f.req.Code = http.StatusUnprocessableEntity
	}
	return saved, err
}

// Fill reads every field. Each that does not fit says so beside itself, and all keep
// what was typed. The error is one of the page, and not of what was typed.
func (f *Form) Fill(m protoreflect.Message) error {
	clock := Clock(f.req)
	for _, in := range f.Inputs {
		texts := f.req.PostForm[in.Name]
		in.Keep(texts)
		if err := in.read(clock, m, in.texts(texts)); err != nil {
			if err := f.tell(err); err != nil {
				return err
			}
			continue
		}
		f.inBothUnits(in, in.texts(texts))
	}
	for field, text := range f.Preset {
		d := f.Spec.Message().Fields().ByName(protoreflect.Name(field))
		err := input.Field{Clock: clock, Desc: d, Rule: event.RuleOf(d), Name: field, Scale: 1}.Put(m, []string{text})
		if err != nil {
			if err := f.tell(err); err != nil {
				return err
			}
		}
	}
	return nil
}

// inBothUnits has a number that was typed in a customary unit seen in both units before it
// is saved: the same press again saves it.
func (f *Form) inBothUnits(in *Input, texts []string) {
	typed, own, both := in.field(input.Clock{}).InBothUnits(texts)
	if !both {
		return
	}
	seen := "both." + in.Name
	if f.Carry == nil {
		f.Carry = map[string]string{}
	}
	if f.Carry[seen] = typed; f.req.PostForm.Get(seen) != typed {
		in.Error, in.named = words.Say("form.both", in.Label, typed, own), true
	}
}

// field reads what is typed into the box.
func (in *Input) field(clock input.Clock) input.Field {
	return input.Field{Clock: clock, Desc: in.desc, Rule: in.rule, Name: in.shown, Scale: in.scale}
}

// read puts what was typed into the field of a record.
func (in *Input) read(clock input.Clock, m protoreflect.Message, texts []string) error {
	if len(texts) > 0 {
		return in.field(clock).Put(m, texts)
	}
	if in.Required && in.Kind != KindYes {
		return refusal.New(in.shown, "", in.wanted())
	}
	return nil
}

func (in *Input) wanted() string {
	if in.rule.Help != "" {
		return in.rule.Help
	}
	return words.Say("form.a_value")
}

// Keep shows again what was input.
func (in *Input) Keep(texts []string) {
	for i := range in.Options {
		o := &in.Options[i]
		o.Checked = slices.Contains(texts, o.Value) || o.Label != "" && slices.Contains(texts, o.Label)
	}
	in.Value = strings.Join(texts, "\n")
}

// texts are the items to read: blank ones are not there, a list in a text box is
// one item a line, bag numbers part at any space or comma.
func (in *Input) texts(raw []string) []string {
	var out []string
	for _, t := range raw {
		switch {
		case in.Kind == KindBags:
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
	if f.When = strings.TrimSpace(got.Get("happened_at")); f.When == "" {
		f.When = pressedText(f.req)
	}
	if f.When != "" {
		at, err := Clock(f.req).Moment("when", f.When)
		if err != nil {
			return err
		}
		ask.OccurredAt = at
	} else if f.Later {
		return refusal.New("when", "", words.Say("form.when_wanted"))
	}
	if f.Reason = got.Get("reason_why"); f.Corrects && strings.TrimSpace(f.Reason) == "" {
		return refusal.New("reason_why", "", words.Say("correct.why_wanted"))
	}
	ask.Pin = got.Get("pin")
	if f.req.Session.Person == "" {
		f.By = got.Get("said_by")
	}
	if f.By != "" && !f.req.Locked {
		ask.Author = f.By
		f.req.SetWho(f.By)
	} else if err := f.author(ask); err != nil {
		return err
	}
	ask.Overrides = reasons(got)
	return nil
}

// OverrideOf is a caution with what was typed to go past it.
func OverrideOf(req *site.Request, code, text string) *Override {
	return &Override{
		Code: code, Text: text, Value: req.PostForm.Get("override." + code),
		Two: entry.HardLimit(code), Second: req.PostForm.Get("second"),
	}
}

// reasons are those that were typed to go past cautions, by their code.
func reasons(got url.Values) (out []*pb.Override) {
	for _, key := range slices.Sorted(maps.Keys(got)) {
		if code, ok := strings.CutPrefix(key, "override."); ok && strings.TrimSpace(got.Get(key)) != "" {
			o := &pb.Override{Code: code, Reason: got.Get(key)}
			if entry.HardLimit(code) {
				o.Second = strings.TrimSpace(got.Get("second"))
			}
			out = append(out, o)
		}
	}
	return out
}

func (f *Form) author(ask *pb.WriteRequest) error {
	return f.req.Read(func(l *query.ReadView) error {
		people, err := f.req.PeopleIn(l)
		ask.Author = f.req.Who(people)
		if by := f.req.PostForm.Get(site.PressedBy); !f.req.Locked && slices.ContainsFunc(people, func(p site.Option) bool { return p.Value == by }) {
			ask.Author = by
		}
		return err
	})
}

// tell puts a refusal beside its field. Anything else is an error of the page.
func (f *Form) tell(err error) error {
	ref, ok := refusal.As(err)
	if !ok {
		if text, plain := refusal.Plain(err); plain {
			f.Refusal = text
			return nil
		}
		return err
	}
	text := refusedText(ref)
	switch {
	case ref.Field == "override":
		f.Override = OverrideOf(f.req, ref.Value, ref.Hint)
	case ref.Field == "when" || ref.Field == "occurred_at":
		f.WhenError = text
	case f.Corrects && (ref.Field == "reason_why" || ref.Field == "reason" && f.Input("reason").Name == ""):
		f.ReasonBad = text
	case ref.Field == "by" && f.Input("by").Name == "":
		f.ByError = text
	default:
		for _, in := range f.Inputs {
			if in.shown == ref.Field || in.Name == ref.Field {
				in.Error, in.named = in.refused(ref)
				return nil
			}
		}
		f.Refusal = ref.Error()
	}
	return nil
}

// refusedText says what was wrong with a value and what was expected.
func refusedText(ref *refusal.Error) string {
	text := words.Say("form.lacking", ref.Want)
	if ref.Value != "" {
		text = words.Say("form.unfit", ref.Value, words.Say("form.expected", ref.Want))
	}
	if ref.Hint != "" {
		text += " " + strings.ToUpper(ref.Hint[:1]) + ref.Hint[1:] + "."
	}
	return text
}

// refused says beside a field why it was refused, and whether that names the field. A
// field that was left empty is missing, and told how to fill it.
func (in *Input) refused(ref *refusal.Error) (text string, named bool) {
	switch {
	case ref.Value != "" || ref.State:
		return refusedText(ref), false
	case ref.Want != in.wanted(): // it is missing here, for a reason
		return words.Say("form.missing_eg", in.Label, ref.Want), true
	case strings.HasSuffix(in.Label, "?"):
		return words.Say("form.unanswered", in.Label), true
	case in.Kind == KindChoose || in.Kind == kindPick || in.Kind == KindTicks:
		return words.Say("form.missing_choice", in.Label), true
	case in.Unit != "":
		return words.Say("form.missing_number", in.Label, in.Unit), true
	case in.Hint != "":
		return words.Say("form.missing_eg", in.Label, in.Hint), true
	}
	return words.Say("form.missing", in.Label), true
}

// Refused says that the form has to be shown again, and puts each thing that keeps it
// from being saved at the top of its page, in the order of the form.
func (f *Form) Refused() bool {
	before := f.req.Refusals()
	if f.Refusal != "" {
		f.req.Refuse("", "", f.Refusal)
	}
	if f.Override != nil {
		f.req.Refuse(f.ID+"-override", "", words.Say("form.reason_for", f.Override.Text))
	}
	for _, in := range f.Inputs {
		if in.Error != "" {
			label := in.Label
			if in.named { // the sentence has it
				label = ""
			}
			in.First = f.req.Refuse(f.ID+"-"+in.Name, label, in.Error)
		}
	}
	if f.ByError != "" {
		f.ByFirst = f.req.Refuse(f.ID+"-by", words.Say("form.who"), f.ByError)
	}
	if f.WhenError != "" {
		f.WhenFirst = f.req.Refuse(f.ID+"-when", words.Say("form.when"), f.WhenError)
	}
	return f.req.Refusals() > before
}

// Author is who writes here; empty when that is not known: a case is taken over
// first and signed later.
func Author(req *site.Request) string {
	ask := &pb.WriteRequest{}
	if (&Form{req: req}).author(ask) != nil {
		return ""
	}
	return ask.Author
}
