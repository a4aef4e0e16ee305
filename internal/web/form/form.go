package form

import (
	"cmp"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/engine"
	"thawtrail/internal/entry"
	"thawtrail/internal/event"
	"thawtrail/internal/input"
	"thawtrail/internal/ledger"
	"thawtrail/internal/query"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// Kinds of input.
const (
	kindText   = "text"
	kindNumber = "number"
	kindLong   = "long"
	KindYes    = "yes"    // one box to tick
	KindChoose = "choose" // one of a few, all visible
	kindPick   = "pick"   // one of a longer list
	KindTicks  = "ticks"  // several of a list
	kindTime   = "time"
	kindBag    = "bag"
	KindBags   = "bags"
)

// fewChoices is how many choices are shown all at once.
const fewChoices = 7

// Input is one field of a form, with what was typed and what was wrong with it.
type Input struct {
	Name, Label, Hint, Unit, Kind string
	Value, Error                  string
	Options                       []site.Option
	Required                      bool
	Less                          bool   // behind a fold: seldom needed
	Expect                        string // a scan is compared with this
	Scans                         bool   // a maker's code may be scanned into it
	First                         bool   // the first of the page that was refused: it takes the focus
	Beside                        string // the last or the planned value: beside the label, never in the box

	desc  protoreflect.FieldDescriptor
	rule  *pb.FieldRule
	scale int64
	shown string // name in refusals
	named bool   // what is wrong names the field
}

// Form writes one event.
type Form struct {
	ID        string // prefix of the element ids on the page
	Action    string
	Submit    string
	Inputs    []*Input
	RequestID string
	Token     string
	Refusal   string    // what no field of this form stands for
	Override  *Override // a caution that takes a reason
	When      string    // when it happened, as typed; empty: now
	WhenError string
	WhenFirst bool          // it takes the focus, as Input.First does
	Later     bool          // entering afterwards: the time is asked for
	People    []site.Option // to choose who writes; empty when known
	By        string
	ByError   string
	ByFirst   bool
	SignLater bool // saved without a name as well
	Unnamed   bool // nobody is named yet: a press saves it so, and it waits to be signed
	AsksPIN   bool // the act asks for a PIN
	PastPIN   bool // going past a caution asks for a PIN
	Corrects  bool // it puts an entry right, and asks why
	Reason    string
	ReasonBad string // what is wrong with the reason
	Was       string // when it happened by what stands

	Spec   *event.Spec
	Preset map[string]string   // fields that the page sets, not the person
	Carry  map[string]string   // what the page sends again beside the fields
	Amend  func(proto.Message) // sets what is no text
	req    *site.Request

	instead func(*pb.WriteRequest) // turns what is asked for into a correction
}

// Override is a caution, with the reason to go past it where it asks for one.
type Override struct {
	Code, Text, Value string
	Asks, Note        bool // what it asks of the person
	Missing           bool // the reason is not there yet
	Two               bool // a second person has to agree
	Second            string
}

// New makes the form of an event. Without fields it has every field that
// people fill in, in the order of the contract.
func New(req *site.Request, name string, fields ...string) (*Form, error) {
	spec := SpecOf(name)
	if spec == nil {
		return nil, site.ErrNotFound
	}
	f := &Form{
		ID: name, Action: req.URL.RequestURI(), Submit: words.Say("form.save"), RequestID: site.NewRequestID(), Token: req.Site.Token(req.Session),
		SignLater: spec.Rule.GetSignLater(), AsksPIN: req.AnyPIN() && entry.AsksPIN(spec), PastPIN: req.AnyPIN() && !entry.AsksPIN(spec),
		Spec: spec, Preset: map[string]string{}, req: req, Later: req.URL.Query().Get("later") != "",
	}
	if len(fields) == 0 {
		fields = typedFields(spec)
	}
	err := req.Read(func(l *query.ReadView) error {
		for _, field := range fields {
			in, err := newInput(l, spec, field)
			if err != nil {
				return err
			}
			f.Inputs = append(f.Inputs, in)
		}
		return f.askWho(l)
	})
	return f, err
}

// SpecOf finds an event that people write by its name.
func SpecOf(name string) *event.Spec {
	for _, s := range event.All() {
		if s.Name == name && !s.Rule.GetInternal() {
			return s
		}
	}
	return nil
}

// typedFields are the fields of an event that people fill in.
func typedFields(spec *event.Spec) []string {
	var out []string
	for i := range spec.Message().Fields().Len() {
		f := spec.Message().Fields().Get(i)
		if rule := event.RuleOf(f); !rule.Filled && (!rule.Generate || rule.Help != "") {
			out = append(out, string(f.Name()))
		}
	}
	return out
}

func (f *Form) askWho(l *query.ReadView) error {
	people, err := f.req.PeopleIn(l)
	nobody := len(people) > 1 && f.req.Who(people) == "" || f.req.Locked
	if f.Unnamed = nobody && f.SignLater; nobody && !f.req.Locked {
		f.People = people
	}
	return err
}

func newInput(l *query.ReadView, spec *event.Spec, name string) (*Input, error) {
	desc := spec.Message().Fields().ByName(protoreflect.Name(name))
	if desc == nil {
		return nil, site.ErrNotFound
	}
	rule := event.RuleOf(desc)
	in := &Input{Name: name, desc: desc, rule: rule, scale: max(rule.Scale, 1), shown: name, Required: rule.Required && !rule.Generate}
	if rule.Flag != "" {
		in.shown = strings.ReplaceAll(rule.Flag, "-", "_")
	}
	_, unit := event.Heading(desc)
	in.Unit = cmp.Or(unit, words.UnitOf(name))
	in.Label, in.Hint = words.LabelOf(spec.Name, name, rule)
	in.Label = strings.TrimSuffix(in.Label, " in "+unit) // it stands behind
	if other := l.Beside().Unit(unit); other != "" {
		in.Beside = words.Say("form.or_in", other)
	}
	return in, in.shape(l)
}

// shape finds what kind of input a field is and what there is to choose.
func (in *Input) shape(l *query.ReadView) error {
	d := in.desc
	switch {
	case d.IsList() && in.rule.Format == pb.Format_FORMAT_BAG:
		in.Kind = KindBags
	case d.Kind() == protoreflect.EnumKind:
		in.Kind, in.Options = KindChoose, enumOptions(d.Enum())
		if d.IsList() {
			in.Kind = KindTicks
		} else if len(in.Options) > fewChoices {
			in.Kind = kindPick
		}
	case d.Kind() == protoreflect.BoolKind:
		in.Kind = KindYes
	case d.Kind() == protoreflect.MessageKind && d.Message().FullName() == input.MomentName:
		in.Kind = kindTime
	case d.IsList():
		return in.shapeList()
	case d.Kind() == protoreflect.StringKind || d.Kind() == protoreflect.MessageKind:
		return in.shapeText(l)
	case d.Kind() == protoreflect.BytesKind:
		in.Kind = kindText
	default:
		in.Kind = kindNumber
	}
	return nil
}

// shapeList offers what a list of words usually holds.
func (in *Input) shapeList() error {
	in.Kind = kindLong
	switch in.Name {
	case "signs", "reasons":
		in.Kind = KindTicks
		if in.desc.ContainingMessage().Name() == "ReactionNoted" {
			kept := words.Kept("treat.signs")
			for i, s := range words.List("treat.signs") {
				in.Options = append(in.Options, site.Option{Value: kept[i], Label: s})
			}
			return nil
		}
		for _, s := range engine.Signs() {
			in.Options = append(in.Options, site.Option{Value: s.Name, Label: s.Words})
		}
	}
	return nil
}

func (in *Input) shapeText(l *query.ReadView) error {
	kind := in.rule.Refers
	if kind == "" {
		kind = in.rule.Entity
	}
	switch {
	case in.rule.Format == pb.Format_FORMAT_BAG:
		in.Kind = kindBag
	case in.rule.MaxLen > 200:
		in.Kind = kindLong
	default:
		in.Kind = kindText
	}
	switch kind {
	case event.KindPlace, event.KindProduct, event.KindPerson, event.KindVehicle, event.KindDonor:
		in.Kind = kindPick
		var err error
		in.Options, err = site.Names(l, kind)
		return err
	case event.KindCase:
		in.Kind = kindPick
		return in.openCases(l)
	case event.KindClient:
		in.Kind = kindPick
		return l.Each(kind, func(st ledger.State) (bool, error) {
			name, _, _ := l.Client(st.Key().ID)
			in.Options = append(in.Options, site.Option{Value: st.Key().ID, Label: name})
			return len(in.Options) < site.MaxChoices, nil
		})
	}
	return nil
}

func (in *Input) openCases(l *query.ReadView) error {
	keys, err := l.Newest(ledger.TermOpenCase, site.MaxChoices)
	for _, k := range keys {
		c, err := l.Case(k.ID)
		if err != nil {
			return err
		}
		if c != nil {
			in.Options = append(in.Options, site.Option{Value: k.ID, Label: l.Patient(c)})
		}
	}
	return err
}

func enumOptions(e protoreflect.EnumDescriptor) []site.Option {
	var out []site.Option
	for i := range e.Values().Len() {
		if v := e.Values().Get(i); v.Number() != 0 {
			word := event.EnumWord(v)
			out = append(out, site.Option{Value: word, Label: words.Choice(string(e.Name()), word)})
		}
	}
	return out
}

// Set fixes a field's value; the person neither sees nor sends it.
func (f *Form) Set(field, text string) *Form {
	f.Preset[field] = text
	f.Inputs = slices.DeleteFunc(f.Inputs, func(in *Input) bool { return in.Name == field })
	return f
}

// Input finds a field of the form.
func (f *Form) Input(name string) *Input {
	for _, in := range f.Inputs {
		if in.Name == name {
			return in
		}
	}
	return &Input{}
}

// In finds a field of the form, for templates that place it themselves.
func (f *Form) In(name string) *Input { return f.Input(name) }

// Want makes a field one that must be filled in on this page.
func (f *Form) Want(fields ...string) *Form {
	for _, name := range fields {
		f.Input(name).Required = true
	}
	return f
}

// Less puts fields behind a fold.
func (f *Form) Less(fields ...string) *Form {
	for _, name := range fields {
		f.Input(name).Less = true
	}
	return f
}

// Folded are the fields behind the fold.
func (f *Form) Folded() (out []*Input) {
	for _, in := range f.Inputs {
		if in.Less {
			out = append(out, in)
		}
	}
	return out
}

// AsksWhen says that the time is asked for in the open: it is wanted, or was typed.
func (f *Form) AsksWhen() bool { return f.Later || f.When != "" || f.WhenError != "" }

// Unfold says that the fold has to be open: something in it was typed or is wrong.
func (f *Form) Unfold() bool {
	return slices.ContainsFunc(f.Inputs, func(in *Input) bool { return in.Less && (in.Value != "" || in.Error != "") })
}
