package cli

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/pflag"
	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/event"
	"thawtrail/internal/input"
	"thawtrail/internal/refusal"
	"thawtrail/internal/say"
	pb "thawtrail/proto/thawtrail/v1"
)

// form binds the fields of one message to arguments and flags.
type form struct {
	desc  protoreflect.MessageDescriptor
	args  []protoreflect.FieldDescriptor
	flags []*flagOf // in the order of the fields
	all   *flagOf   // --all of a check: sets every yes-or-no field
}

// flagOf is one flag and the field that it fills.
type flagOf struct {
	name     string
	field    protoreflect.FieldDescriptor // nil for flags that are no field
	rule     *pb.FieldRule
	scale    int64
	metavar  string
	help     string
	required bool
	many     bool
	secret   bool // its value is shown nowhere
	texts    []string
}

// Set keeps the text; what it means is read when all is input. The same text once more is no
// slip: completion reads a line twice.
func (f *flagOf) Set(text string) error {
	switch {
	case f.many || len(f.texts) == 0:
	case f.texts[0] == text:
		return nil
	default:
		return errTwice
	}
	f.texts = append(f.texts, text)
	return nil
}

var errTwice = errors.New("given twice")

func (f *flagOf) String() string { return strings.Join(f.texts, ", ") }

// Type is what stands behind the flag in the help.
func (f *flagOf) Type() string { return f.metavar }

func (f *flagOf) given() bool { return len(f.texts) > 0 }

// text is the one text of a flag, or empty.
func (f *flagOf) text() string {
	if f == nil || len(f.texts) == 0 {
		return ""
	}
	return f.texts[0]
}

// isSwitch says that the flag may stand alone, as in --slow.
func (f *flagOf) isSwitch() bool { return f.metavar == metaSwitch }

// newForm reads the rules of a message. The fields named in args are typed as
// arguments; renamed gives a flag another name where ours is taken.
func newForm(desc protoreflect.MessageDescriptor, args []string, renamed map[string]string) *form {
	f := &form{desc: desc}
	for _, name := range args {
		f.args = append(f.args, desc.Fields().ByName(protoreflect.Name(name)))
	}
	for i := range desc.Fields().Len() {
		field := desc.Fields().Get(i)
		rule := event.RuleOf(field)
		if slices.Contains(f.args, field) || rule.Filled || rule.Generate && rule.Help == "" {
			continue
		}
		f.add(field, rule, renamed)
	}
	return f
}

// add makes the flag of a field, and its second flag where the rule has one.
func (f *form) add(field protoreflect.FieldDescriptor, rule *pb.FieldRule, renamed map[string]string) {
	name := rule.Flag
	if name == "" {
		name = strings.ReplaceAll(string(field.Name()), "_", "-")
	}
	if other, ok := renamed[name]; ok {
		name = other
	}
	flag := &flagOf{
		name: name, field: field, rule: rule, scale: max(rule.Scale, 1), metavar: metavarOf(field),
		help: rule.Help, required: rule.Required && !rule.Generate, many: field.IsList(),
	}
	f.flags = append(f.flags, flag)
	if rule.AltFlag != "" {
		second := *flag
		second.name, second.scale, second.required = rule.AltFlag, max(rule.AltScale, 1), false
		second.help = "the same, as --" + rule.AltFlag
		f.flags = append(f.flags, &second)
	}
}

// tellsTime says that a time was typed.
func (f *form) tellsTime() bool {
	return slices.ContainsFunc(f.flags, func(flag *flagOf) bool { return flag.metavar == metaTime && flag.given() })
}

// withAll adds --all where the message has something to tick.
func (f *form) withAll() {
	f.all = &flagOf{name: "all", metavar: metaSwitch, help: "every point was checked and in order"}
	f.flags = append(f.flags, f.all)
}

// bind puts the flags into a set.
func (f *form) bind(set *pflag.FlagSet) { bindFlags(set, f.flags...) }

func bindFlags(set *pflag.FlagSet, flags ...*flagOf) {
	set.SortFlags = false
	for _, flag := range flags {
		pf := set.VarPF(flag, flag.name, "", flag.help)
		if flag.required {
			pf.Usage += " (needed)"
		}
		if flag.isSwitch() {
			pf.NoOptDefVal = "true"
		}
	}
}

// fill writes what was typed into the message.
func (f *form) fill(d *console, m protoreflect.Message, words []string) error {
	if f.all.text() == "true" {
		f.tickAll(m)
	}
	if err := f.fillArgs(d, m, words); err != nil {
		return err
	}
	var filled []protoreflect.FieldDescriptor
	for _, flag := range f.flags {
		if flag.field == nil || !flag.given() {
			continue
		}
		if slices.Contains(filled, flag.field) {
			return refusal.New(shown(flag.name), flag.text(), "one of the two flags for this value")
		}
		filled = append(filled, flag.field)
		if err := d.put(m, input.Field{Desc: flag.field, Rule: flag.rule, Name: shown(flag.name), Scale: flag.scale}, flag.texts); err != nil {
			return err
		}
	}
	for _, flag := range f.flags {
		if flag.required && !slices.Contains(filled, flag.field) {
			return refusal.New(shown(flag.name), "", "--"+flag.name+" "+flag.metavar+": "+flag.help)
		}
	}
	return nil
}

// put reads texts into a field; a stock file is the one that only commands read.
func (d *console) put(m protoreflect.Message, field input.Field, texts []string) error {
	if field.Desc.IsList() && field.Desc.Kind() == protoreflect.MessageKind {
		return d.readStock(m.Mutable(field.Desc).List(), field.Name, texts[0])
	}
	field.Clock = d.clock()
	err := field.Put(m, texts)
	if typed, own, both := field.InBothUnits(texts); both && err == nil {
		d.both = append(d.both, say.Text("units.both", typed, own))
	}
	return err
}

func (f *form) tickAll(m protoreflect.Message) {
	for _, flag := range f.flags {
		if flag.field != nil && flag.field.Kind() == protoreflect.BoolKind {
			m.Set(flag.field, protoreflect.ValueOfBool(true))
		}
	}
}

// fillArgs reads the arguments; a list at the end takes all that are left.
func (f *form) fillArgs(d *console, m protoreflect.Message, words []string) error {
	for _, field := range f.args {
		rule := event.RuleOf(field)
		name := string(field.Name())
		if rule.Flag != "" {
			name = shown(rule.Flag)
		}
		if len(words) == 0 {
			if !rule.Required && field.Cardinality() != protoreflect.Repeated {
				return nil
			}
			return refusal.New(name, "", argWord(field)+": "+rule.Help)
		}
		take := 1
		if field.IsList() {
			take = len(words)
		}
		if err := d.put(m, input.Field{Desc: field, Rule: rule, Name: name, Scale: max(rule.Scale, 1)}, words[:take]); err != nil {
			return err
		}
		words = words[take:]
	}
	if len(words) > 0 {
		return refusal.New("arguments", words[0], "nothing more here").Because("texts with spaces need quotes")
	}
	return nil
}

// shown is a flag's name as refusals name fields.
func shown(flag string) string { return strings.ReplaceAll(flag, "-", "_") }

// argWord is how an argument stands in a usage line.
func argWord(field protoreflect.FieldDescriptor) string {
	name := string(field.Name())
	if rule := event.RuleOf(field); rule.Flag != "" {
		name = rule.Flag
	}
	word := strings.ToUpper(strings.NewReplacer("_", "-", "bags", "bag").Replace(name))
	if field.IsList() {
		word += "…"
	}
	return word
}

// useLine is the words, arguments and needed flags of a command.
func (f *form) useLine(words string) string {
	for _, a := range f.args {
		words += " " + argWord(a)
	}
	for _, flag := range f.flags {
		if flag.required {
			words += " --" + flag.name + " " + flag.metavar
		}
	}
	return words
}

// flagError turns a complaint of the flag parser into a refusal.
func flagError(command string, err error) error {
	help := fmt.Sprintf("see `%s --help`", command)
	var invalid *pflag.InvalidValueError
	if errors.As(err, &invalid) && errors.Is(err, errTwice) {
		return refusal.New(shown(invalid.GetFlag().Name), invalid.GetValue(), "this flag once; "+help)
	}
	var missing *pflag.ValueRequiredError
	if errors.As(err, &missing) {
		return refusal.New(shown(missing.GetSpecifiedName()), "", "a value behind --"+missing.GetSpecifiedName())
	}
	var unknown *pflag.NotExistError
	if errors.As(err, &unknown) {
		typed := "--" + unknown.GetSpecifiedName()
		if short := unknown.GetSpecifiedShortnames(); short != "" {
			typed = "-" + short
		}
		return refusal.New("flags", typed, "a flag of this command; "+help).Because("a negative number among the arguments needs -- in front")
	}
	return refusal.New("flags", err.Error(), "flags as shown there; "+help)
}
