package say

import (
	"embed"
	"fmt"
	"slices"
	"strings"
	"sync/atomic"
)

// Each file is one language, named in English: a second one is a file and nothing else.
//
//go:embed *.txt
var files embed.FS

const (
	// English is what the program is written in, and spoken without another word.
	English = "english"
	// Pseudo is no language: English with accents, and 40 % longer. What people see without
	// accents was not said by the catalogue, and what does not fit then will not fit in
	// another language either.
	Pseudo = "pseudo"
)

// inEnglish is what the program is written in: a sentence that another language lacks is
// said so.
var inEnglish = mustRead(English)

// language is what is spoken.
type language struct {
	name   string
	all    catalogue
	memory memory
}

var spoken = func() *atomic.Pointer[language] {
	p := &atomic.Pointer[language]{}
	p.Store(&language{name: English, all: inEnglish})
	return p
}()

// Spoken is the language that is spoken, as Speak was told.
func Spoken() string { return spoken.Load().name }

// Speak chooses the language of all that is said from now on; empty is English. It is
// called once, before anything is said.
func Speak(name string) error {
	to := &language{name: name, all: inEnglish}
	switch name {
	case "", English:
		to.name = English
	case Pseudo:
		to.all = pseudo(inEnglish)
	default:
		if !slices.Contains(Languages(), name) {
			return fmt.Errorf("no language %q; there is %s", name, strings.Join(Languages(), ", "))
		}
		to.all = mustRead(name)
	}
	spoken.Store(to)
	return nil
}

// Languages are those that have a file.
func Languages() (out []string) {
	found, _ := files.ReadDir(".") // what is embedded can be read
	for _, f := range found {
		out = append(out, strings.TrimSuffix(f.Name(), ".txt"))
	}
	return out
}

// mustRead reads a language. It is part of the program: what is wrong in it is found by
// the first test that runs.
func mustRead(name string) catalogue {
	raw, err := files.ReadFile(name + ".txt")
	if err == nil {
		var all catalogue
		if all, err = readCatalogue(string(raw)); err == nil {
			return all
		}
	}
	panic(err)
}

// accents are letters that look like the plain ones, so that a tester can still read.
var accents = strings.NewReplacer(
	"a", "á", "b", "ƀ", "c", "ç", "d", "ď", "e", "é", "f", "ƒ", "g", "ğ", "h", "ĥ", "i", "í", "j", "ĵ", "k", "ķ", "l", "ł", "m", "ɱ",
	"n", "ñ", "o", "ö", "p", "þ", "q", "ɋ", "r", "ŕ", "s", "š", "t", "ŧ", "u", "ü", "v", "ṽ", "w", "ŵ", "x", "ẋ", "y", "ý", "z", "ž",
	"A", "Å", "B", "Ɓ", "C", "Ç", "D", "Ð", "E", "É", "F", "Ƒ", "G", "Ĝ", "H", "Ĥ", "I", "Î", "J", "Ĵ", "K", "Ķ", "L", "Ŀ", "M", "Ṁ",
	"N", "Ñ", "O", "Ö", "P", "Þ", "Q", "Ǫ", "R", "Ŕ", "S", "Š", "T", "Ŧ", "U", "Û", "V", "Ṽ", "W", "Ŵ", "X", "Ẋ", "Y", "Ý", "Z", "Ž")

// symbols are the same in every language.
var symbols = []string{"thawtrail", "kg", "mg", "mL", "dL", "L", "mmol", "g", "cm", "mm", "kJ", "h", "min", "s", "d", "C", "lb", "F", "cH", "O",
	"IgG", "per", "drops", "GTIN", "UELN", "PIN", "QR", "SHA", "ISO", "UTC", "IV", "A", "B"}

// Symbols are units and names that no language changes.
func Symbols() []string { return symbols }

// pseudo accents and lengthens every sentence. What is typed stays, and so do symbols and
// the layouts of times.
func pseudo(of catalogue) catalogue {
	all := make(catalogue, len(of))
	for key, s := range of {
		longer := make(sentence, len(s))
		for i, it := range s {
			longer[i] = lengthened(it)
		}
		all[key] = longer
	}
	all["frame.language"] = sentence{{{words: "en-XA"}}}
	return all
}

func lengthened(it item) item {
	out, code := slices.Clone(it), false
	for i := range out {
		p := &out[i]
		if p.mark == '`' {
			code = !code
		}
		if code || p.mark != 0 || strings.Contains(p.words, "15:04") {
			continue
		}
		p.words = longerWords(p.words)
		if p.forms != nil {
			p.forms = []string{longerWords(p.forms[0]), longerWords(p.forms[1])}
		}
	}
	return out
}

// longerWords accents each word and makes it half as long again: with blanks and values a
// sentence is then 40 % longer.
func longerWords(text string) string {
	var out, word strings.Builder
	end := func() {
		if w := word.String(); slices.Contains(symbols, w) {
			out.WriteString(w)
		} else if w != "" {
			out.WriteString(accents.Replace(w) + strings.Repeat("é", (len(w)+1)/2))
		}
		word.Reset()
	}
	for _, r := range text {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' {
			word.WriteRune(r)
			continue
		}
		end()
		out.WriteRune(r)
	}
	end()
	return out.String()
}
