package query

import (
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/event"
	"thawtrail/internal/say"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// Tale is an entry as a dated list tells it: a sentence without its full stop, and
// beside it what is not right, which stands out wherever it is shown.
type Tale struct{ Text, Wrong string }

// String is both in one line.
func (t Tale) String() string {
	if t.Wrong == "" || t.Text == "" {
		return t.Text + t.Wrong
	}
	return say.Text("tale.and_wrong", t.Text, t.Wrong)
}

// teller puts a tale together: its head, what follows the colon, and what is wrong.
type teller struct {
	b     *ReadView
	about event.Key // whose list it is; empty: nobody's, and everything is named
	typ   event.Type
	atMs  int64

	head  string
	parts []string
	wrong []string
	list  bool // what follows the head is a list behind a colon, and no more of one clause
	bad   bool // all of it should not have happened
}

// Tell tells what an entry says in the list of an entity. What that list is about is
// not named again.
func (b *ReadView) Tell(about event.Key, t event.Type, m proto.Message, atMs int64) Tale {
	return b.teller(about, t, m, atMs).tale()
}

func (b *ReadView) teller(about event.Key, t event.Type, m proto.Message, atMs int64) *teller {
	w := &teller{b: b, about: about, typ: t, atMs: atMs}
	m = b.told(m)
	if m == nil || !w.ofCase(m) && !w.ofPlasma(m) && !w.ofStock(m) && !w.ofPractice(m) {
		w.plainly(m)
	}
	return w
}

// tale joins what was gathered.
func (w *teller) tale() Tale {
	text := strings.Join(w.clauses(), ", ")
	if w.list && len(w.parts) > 0 {
		text = say.Text("tale.with", w.head, strings.Join(w.parts, ", "))
	}
	if w.bad {
		return Tale{Wrong: strings.Join(append([]string{say.Text("tale.sentence", text)}, w.wrong...), " ")}
	}
	return Tale{Text: text, Wrong: strings.Join(w.wrong, " ")}
}

// clauses are the head and what follows it.
func (w *teller) clauses() []string { return append([]string{w.head}, w.parts...) }

// otherwise is what of it another telling does not say.
func (w *teller) otherwise(now *teller) string {
	stands := append(now.clauses(), now.wrong...)
	return strings.Join(slices.DeleteFunc(append(w.clauses(), w.wrong...), func(part string) bool {
		return slices.Contains(stands, part)
	}), ", ")
}

// begin says what happened; what is told of it goes on in the same clause.
func (w *teller) begin(head string) { w.head = head }

// title says what happened; what is told of it follows as a list.
func (w *teller) title(head string) { w.head, w.list = head, true }

// wrongly says what happened and should not have.
func (w *teller) wrongly(head string) { w.head, w.list, w.bad = head, true, true }

// and goes on with what is told; empty parts are left out.
func (w *teller) and(parts ...string) {
	for _, p := range parts {
		if p != "" {
			w.parts = append(w.parts, p)
		}
	}
}

// but says what is not right.
func (w *teller) but(wrong string) {
	if wrong != "" {
		w.wrong = append(w.wrong, wrong)
	}
}

// plainly tells an entry that has no sentence of its own: its name and its values.
func (w *teller) plainly(m proto.Message) {
	w.title(capital(wording.EventType(w.typ)))
	if m != nil {
		w.and(w.b.details(m)...)
	}
}

// capital begins a sentence.
func capital(text string) string {
	r := []rune(text)
	if len(r) == 0 {
		return ""
	}
	return strings.ToUpper(string(r[:1])) + string(r[1:])
}

// bag names a bag with product and batch, but in its own list.
func (w *teller) bag(id string) string {
	if id == "" || w.about == (event.Key{Kind: event.KindBag, ID: id}) {
		return ""
	}
	return w.b.BagWords(id)
}

// bags names some bags, but where the list is about one of them. With their product and
// batch told beside it, numbers are enough.
func (w *teller) bags(ids []string, numbersOnly bool) string {
	if w.about.Kind == event.KindBag && slices.Contains(ids, w.about.ID) {
		return ""
	}
	return w.b.bagsWords(ids, numbersOnly)
}

// patient names the patient of a case, but in the case's own list.
func (w *teller) patient(id string) string {
	if id == "" || w.about.Kind == event.KindCase {
		return ""
	}
	return w.b.PatientLine(id)
}

// quoted is what a person wrote, as such.
func quoted(text string) string {
	if text == "" {
		return ""
	}
	return say.Text("tale.quoted", short(text))
}

// maybe is a value that may not have been told.
func maybe(v *int32, words func(int32) string) string {
	if v == nil {
		return ""
	}
	return words(*v)
}

// toldOf is a sentence about a text; empty when there is none.
func toldOf(text string, sentence func(string) string) string {
	if text == "" {
		return ""
	}
	return sentence(text)
}

// points are the ticks of a check: how many, and those that are open.
func points(m proto.Message, event string) (all int, open []string) {
	r := m.ProtoReflect()
	for i := range r.Descriptor().Fields().Len() {
		f := r.Descriptor().Fields().Get(i)
		if f.Kind() != protoreflect.BoolKind {
			continue
		}
		if all++; !r.Get(f).Bool() {
			open = append(open, small(fieldWords(event, f)))
		}
	}
	return all, open
}

// fieldWords is what people call a field: its label in the catalogue, or its name.
func fieldWords(eventName string, f protoreflect.FieldDescriptor) string {
	for _, key := range []string{"field." + eventName + "." + string(f.Name()), "field." + string(f.Name())} {
		if words := say.List(key); len(words) > 0 {
			return words[0]
		}
	}
	name, _ := event.Heading(f)
	return name
}

// count is a small number in words.
func count(n int) string {
	if words := say.List("tale.numbers"); n < len(words) {
		return words[n]
	}
	return say.Text("tale.number", n)
}

// checked tells a check of points: all right, or which are not.
func (w *teller) checked(m proto.Message, event, text string) {
	all, open := points(m, event)
	right := say.Text("tale.right", count(all-len(open)), count(all))
	if len(open) == 0 {
		right = say.Text("tale.all_right", count(all))
	}
	w.parts = append([]string{right}, w.parts...)
	if len(open) > 0 {
		w.but(say.Text("tale.open_points", strings.Join(open, "; ")))
	}
	w.but(toldOf(text, func(t string) string { return say.Text("tale.not_in_order", t) }))
}

// note tells what a note about something says, as far as its key is here.
func (w *teller) note(p *pb.NoteAdded) {
	key := event.Key{Kind: p.EntityKind, ID: p.Entity}
	w.title(say.Text("tale.note"))
	if w.about != key {
		w.and(w.b.entityText(key))
	}
	text := p.Text.GetPlain()
	if text == "" {
		plain, ok := w.b.r.Seals.Open(key, "text", p.Text)
		if text = plain; !ok {
			text = forgotten
		}
	}
	w.and(quoted(text))
}
