package say

import (
	"cmp"
	"regexp"
	"slices"
	"strings"
	"sync"
	"unicode"
	"unicode/utf8"
)

// What rooms below the pages say to people (cautions, refusals, reasons, the steps of a
// sum) is composed in English where it is known, and travels so: through records, gRPC
// and JSON, the same on every machine. The sentence is its own id. The catalogue lists
// each under [told] with numbered slots, and whoever shows a text to a person asks Told
// for it, which finds the sentence that it is an instance of, and says that one.

// toldSection heads the sentences that are found by what they say.
const toldSection = "told."

// pattern is an English sentence by which a text is found again.
type pattern struct {
	key     string
	match   *regexp.Regexp
	longest string // the words without which nothing can match
	letters int    // how much of it is no slot
	slots   []int  // the number of each slot, in order
}

// patterns are those of all sentences that services say, and of the words for choices, the
// most telling first.
var patterns = sync.OnceValue(func() (out []*pattern) {
	for key, s := range inEnglish {
		if strings.HasPrefix(key, toldSection) || strings.HasPrefix(key, "choice.") {
			out = append(out, patternOf(key, s[0]))
		}
	}
	slices.SortFunc(out, func(a, b *pattern) int {
		return cmp.Or(cmp.Compare(b.letters, a.letters), cmp.Compare(len(a.slots), len(b.slots)), cmp.Compare(a.key, b.key))
	})
	return out
})

// patternOf makes the pattern of a sentence. Of two slots with a blank between them the
// second is a number: 'respiratory rate 52/min' are two.
func patternOf(key string, it item) *pattern {
	p, source, run := &pattern{key: key}, "(?s)^", ""
	for _, piece := range it {
		if piece.value == 0 {
			run += piece.shown()
			continue
		}
		slot := "(.+?)"
		if run == " " && len(p.slots) > 0 {
			slot = "([-+0-9].*?)"
		}
		p.add(run)
		source, run, p.slots = source+regexp.QuoteMeta(run)+slot, "", append(p.slots, piece.value)
	}
	p.add(run)
	p.match = regexp.MustCompile(source + regexp.QuoteMeta(run) + "$")
	return p
}

// add counts words that stand between two slots.
func (p *pattern) add(run string) {
	p.letters += len(run)
	if len(run) > len(p.longest) {
		p.longest = run
	}
}

// shown is a piece as it stands in a plain text: what services say has no marks.
func (p piece) shown() string {
	if p.mark != 0 {
		return string(p.mark)
	}
	return p.words
}

// Told is what a service said in English, in the language that is spoken. A text that
// the catalogue does not know, such as a name, stays as it is.
func Told(text string) string {
	if Spoken() == English {
		return text
	}
	return spoken.Load().memory.told(text)
}

// memory keeps what texts were told as: a page repeats most of the last one.
type memory struct {
	mu   sync.Mutex
	said map[string]string
}

// mostRemembered bounds the memory, in texts.
const mostRemembered = 4096

func (m *memory) told(text string) string {
	m.mu.Lock()
	said, known := m.said[text]
	m.mu.Unlock()
	if known {
		return said
	}
	said = (&teller{known: map[part]string{}}).told(text, maxDepth)
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.said == nil || len(m.said) >= mostRemembered {
		m.said = map[string]string{}
	}
	m.said[text] = said
	return said
}

// maxDepth bounds sentences in sentences, and maxParts the parts of one text that are
// looked at: what is longer is no sentence of ours, and stays as it is.
const (
	maxDepth = 6
	maxParts = 400
)

// teller takes one text apart, and looks at no part of it twice.
type teller struct{ known map[part]string }

type part struct {
	text  string
	depth int
}

func (t *teller) told(text string, depth int) string {
	p := part{text, depth}
	if said, known := t.known[p]; known || depth == 0 || len(t.known) >= maxParts {
		if known {
			return said
		}
		return text
	}
	t.known[p] = text // while it is looked at
	said := t.look(text, depth)
	t.known[p] = said
	return said
}

// What is told in one text, one after another, is parted at these: sentences first, then
// their parts.
var (
	apart  = []string{"\n", " · "}
	ends   = []string{". ", "; "}
	joints = []string{" (", ": ", ", "}
)

// around is what may stand about a sentence and is none of it.
const around = " \t\n.,;:·=+"

// number is a number or a code at the end of some words.
var number = regexp.MustCompile(` [-+]?[0-9A-Z-]*[0-9][0-9A-Z./:-]*(?:/[a-z]+)?(?: [A-Za-z/%°]{1,5})?$`)

const (
	// many letters are those of a sentence that is not met by chance.
	many = 24
	// few are: it counts only where all that it holds is known, so that what a person
	// typed is not half translated.
	few = 12
)

func (t *teller) look(text string, depth int) string {
	words := strings.Trim(text, " \t\n·")
	if !strings.ContainsFunc(words, unicode.IsLetter) {
		return text
	}
	if said, ok := t.instance(words, depth, true); ok {
		return strings.Replace(text, words, said, 1)
	}
	if said, ok := t.parted(text, apart, depth); ok {
		return said
	}
	if said, ok := t.parted(text, ends, depth); ok && mostlyTold(text, said) {
		return said
	}
	if said, ok := t.instance(words, depth, false); ok {
		return strings.Replace(text, words, said, 1)
	}
	if at := number.FindStringIndex(text); at != nil {
		if said := t.told(text[:at[0]], depth-1); said != text[:at[0]] {
			return said + text[at[0]:]
		}
	}
	if said, ok := t.parted(text, joints, depth); ok && mostlyTold(text, said) {
		return said
	}
	if inner := strings.Trim(text, around); inner != words {
		return strings.Replace(text, inner, t.told(inner, depth), 1)
	}
	return text
}

// mostlyTold says that more than half of the words of a text were known: what is left as it
// is are names.
func mostlyTold(text, said string) bool {
	left, all := 0, 0
	after := strings.Fields(said)
	for _, word := range strings.Fields(text) {
		if strings.ContainsFunc(word, unicode.IsLower) && !strings.ContainsFunc(word, unicode.IsDigit) {
			all++
			if slices.Contains(after, word) {
				left++
			}
		}
	}
	return 2*left < all
}

// parted tells what stands before and behind the first joint that there is.
func (t *teller) parted(text string, joints []string, depth int) (string, bool) {
	for _, joint := range joints {
		first, rest, found := strings.Cut(text, joint)
		if !found || strings.Trim(first, around) == "" || strings.TrimSpace(rest) == "" {
			continue
		}
		switch {
		case joint == ". ": // a full stop belongs to its sentence
			first, joint = first+".", " "
		case joint == " (":
			if inner, rest, ok := strings.Cut(rest, ")"); ok {
				return t.told(first, depth-1) + joint + t.told(inner, depth-1) + ")" + t.told(rest, depth-1), true
			}
		}
		return t.told(first, depth-1) + joint + t.told(rest, depth), true // a list has no depth
	}
	return "", false
}

// instance finds the sentence that a text is an instance of, and says it; with a capital
// letter where the text has one that the sentence has not. One sentence alone: no value of it
// holds another.
func (t *teller) instance(text string, depth int, alone bool) (string, bool) {
	first, size := utf8.DecodeRuneInString(text)
	small := string(unicode.ToLower(first)) + text[size:]
	for _, p := range patterns() {
		if said, ok := p.instance(t, text, depth, alone); ok {
			return said, true
		}
		if said, ok := p.instance(t, small, depth, alone); ok {
			first, size = utf8.DecodeRuneInString(said)
			return string(unicode.ToUpper(first)) + said[size:], true
		}
	}
	return "", false
}

func (p *pattern) instance(t *teller, text string, depth int, alone bool) (string, bool) {
	if !strings.Contains(text, p.longest) {
		return "", false
	}
	found := p.match.FindStringSubmatch(text)
	if found == nil || alone && p.letters < many && slices.ContainsFunc(found[1:], severalIn) {
		return "", false
	}
	if p.letters < few && slices.ContainsFunc(found[1:], func(v string) bool { return t.unknown(v, depth-1) }) {
		return "", false
	}
	return p.say(t, found[1:], depth), true
}

// unknown says that a value has words, and none that the catalogue knows.
func (t *teller) unknown(value string, depth int) bool {
	return strings.ContainsFunc(value, unicode.IsLower) && t.told(value, depth) == value
}

func severalIn(value string) bool {
	return slices.ContainsFunc(slices.Concat(apart, ends), func(end string) bool { return strings.Contains(value, end) })
}

// say says the sentence with the values that were found.
func (p *pattern) say(t *teller, found []string, depth int) string {
	values := make([]string, slices.Max(append(p.slots, 0)))
	for i, slot := range p.slots {
		values[slot-1] = t.told(found[i], depth-1)
	}
	var b strings.Builder
	for _, piece := range find(p.key)[p.key][0] {
		if piece.value > 0 {
			b.WriteString(values[piece.value-1])
			continue
		}
		b.WriteString(piece.shown())
	}
	return b.String()
}
