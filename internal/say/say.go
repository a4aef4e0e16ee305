package say

import (
	"fmt"
	"html"
	"maps"
	"slices"
	"strconv"
	"strings"
)

// catalogue is sentences by key. Its file itself says how it is written; templates and
// code hold no sentence of their own.
type catalogue map[string]sentence

// sentence is the items of one entry: one, or those of a list. Its text was split
// into pieces when the program started, so that saying it is only joining.
type sentence []item

type item []piece

// piece is a part of a sentence: words, a value, a form that fits a number, or a
// mark that words begin or end to have weight, to be code or to be a link.
type piece struct {
	words string
	value int      // from 1; 0: the words
	forms []string // to choose from by the value
	mark  byte     // * ` [ or ]
}

// readCatalogue reads headings, entries and the lines that go on with them.
func readCatalogue(file string) (catalogue, error) {
	all := catalogue{}
	section, key, text := "", "", ""
	end := func(n int) error {
		if key == "" {
			return nil
		}
		if _, twice := all[key]; twice {
			return fmt.Errorf("catalogue, line %d: %s stands there twice", n, key)
		}
		s, err := readSentence(text)
		if err != nil {
			return fmt.Errorf("catalogue, line %d: %s: %w", n, key, err)
		}
		all[key], key = s, ""
		return nil
	}
	for n, line := range strings.Split(file, "\n") {
		goesOn := strings.HasPrefix(line, " ")
		line = strings.TrimSpace(line)
		if goesOn && key != "" {
			text += " " + line
			continue
		}
		if err := end(n); err != nil {
			return nil, err
		}
		switch name, words, found := strings.Cut(line, "="); {
		case line == "" || line[0] == '#':
		case line[0] == '[' && line[len(line)-1] == ']':
			section = line[1 : len(line)-1]
		case found:
			key, text = section+"."+strings.TrimSpace(name), strings.TrimSpace(words)
		default:
			return nil, fmt.Errorf("catalogue, line %d: %q is neither a heading nor a key with its words", n+1, line)
		}
	}
	return all, end(0)
}

// readSentence splits an entry into its items and their pieces.
func readSentence(text string) (sentence, error) {
	var s sentence
	for _, item := range strings.Split(text, " | ") {
		pieces, err := readPieces(item)
		if err != nil {
			return nil, err
		}
		s = append(s, pieces)
	}
	return s, nil
}

func readPieces(text string) (item, error) {
	var out item
	open := -1 // where a link began
	for text != "" {
		i := strings.IndexAny(text, "{*`[]")
		if i != 0 {
			if i < 0 {
				i = len(text)
			}
			out, text = append(out, piece{words: text[:i]}), text[i:]
			continue
		}
		if text[0] != '{' {
			p := piece{mark: text[0]}
			text = text[1:]
			if p.mark == ']' { // its address is a value: [words](1)
				inside, rest, ok := strings.Cut(text, ")")
				n, err := strconv.Atoi(strings.TrimPrefix(inside, "("))
				if !ok || err != nil || open < 0 {
					return nil, fmt.Errorf("a link ends with the number of its address, as in [words](1)")
				}
				out[open].value, open, text = n, -1, rest
			}
			if p.mark == '[' {
				open = len(out)
			}
			out = append(out, p)
			continue
		}
		inside, rest, ok := strings.Cut(text[1:], "}")
		if !ok {
			return nil, fmt.Errorf("a { is not closed")
		}
		p, err := readValue(inside)
		if err != nil {
			return nil, err
		}
		out, text = append(out, p), rest
	}
	return out, nil
}

// readValue reads what stands in braces: the number of a value, then a word that
// says what it is, or the forms for one and for others.
func readValue(inside string) (piece, error) {
	number, forms, choice := strings.Cut(inside, ":")
	if !choice {
		number, _, _ = strings.Cut(inside, " ")
	}
	n, err := strconv.Atoi(number)
	if err != nil || n < 1 {
		return piece{}, fmt.Errorf("%q does not begin with the number of a value", inside)
	}
	p := piece{value: n}
	if choice {
		for _, f := range strings.Split(forms, " / ") {
			p.forms = append(p.forms, strings.TrimSpace(f))
		}
		if len(p.forms) != 2 {
			return piece{}, fmt.Errorf("%q wants two forms: for one, and for others", inside)
		}
	}
	return p, nil
}

// find is the catalogue that has a key: that of the language spoken, else English.
func find(key string) catalogue {
	if all := spoken.Load().all; all[key] != nil {
		return all
	}
	return inEnglish
}

// Text is a sentence of the catalogue as plain text.
func Text(key string, values ...any) string { return find(key).text(key, values, false) }

// Marked is a sentence as HTML: its marks become tags, and its values are text
// whatever they hold.
func Marked(key string, values ...any) string { return find(key).text(key, values, true) }

// List is the items of a list of the catalogue; none when it is not there.
func List(key string) []string {
	return find(key)[key].items()
}

// Kept is the items of a list as records keep them, whatever language people read.
func Kept(key string) []string { return inEnglish[key].items() }

func (s sentence) items() []string {
	out := make([]string, len(s))
	for i, item := range s {
		var b strings.Builder
		item.write(&b, nil, nil)
		out[i] = b.String()
	}
	return out
}

// Has says whether the catalogue has a sentence.
func Has(key string) bool { return inEnglish[key] != nil }

// Keys are the keys of all sentences, sorted.
func Keys() []string { return slices.Sorted(maps.Keys(inEnglish)) }

// Wants is how many values a sentence asks for.
func Wants(key string) (most int) {
	for _, it := range inEnglish[key] {
		for _, p := range it {
			most = max(most, p.value)
		}
	}
	return most
}

// text says a sentence. A key that is not there is shown: a test finds it first.
func (c catalogue) text(key string, values []any, marked bool) string {
	s, ok := c[key]
	if !ok {
		return key
	}
	var b strings.Builder
	var m *marks // of plain text: none
	if marked {
		m = &marks{}
	}
	for i, item := range s {
		if i > 0 {
			b.WriteString(" | ")
		}
		item.write(&b, values, m)
	}
	return b.String()
}

// write puts an item together; with marks it is HTML.
func (it item) write(b *strings.Builder, values []any, m *marks) {
	for _, p := range it {
		text := p.words
		switch {
		case p.mark != 0:
			if m != nil {
				b.WriteString(m.tag(p, values))
			}
			continue
		case p.forms != nil && valueText(p.value, values) == "1":
			text = p.forms[0]
		case p.forms != nil:
			text = p.forms[1]
		case p.value != 0:
			text = valueText(p.value, values)
		}
		if m != nil {
			text = html.EscapeString(text)
		}
		b.WriteString(text)
	}
}

// marks knows which of the marks of a sentence are open.
type marks struct{ weight, code bool }

// tag is the tag that a mark stands for.
func (m *marks) tag(p piece, values []any) string {
	switch p.mark {
	case '*':
		m.weight = !m.weight
		return either(m.weight, "<strong>", "</strong>")
	case '`':
		m.code = !m.code
		return either(m.code, "<code>", "</code>")
	case '[':
		address := valueText(p.value, values)
		if !strings.HasPrefix(address, "/") { // only places on this site
			address = "/"
		}
		return `<a href="` + html.EscapeString(address) + `">`
	}
	return "</a>"
}

func either(first bool, a, b string) string {
	if first {
		return a
	}
	return b
}

// valueText is a value as text; a page that gives too few is found by a test.
func valueText(n int, values []any) string {
	if n > len(values) {
		return ""
	}
	switch v := values[n-1].(type) {
	case string:
		return Told(v) // what a service said may stand in what a page says
	case fmt.Stringer:
		return Told(v.String())
	}
	return fmt.Sprint(values[n-1])
}
