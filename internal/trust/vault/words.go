package vault

import (
	_ "embed"
	"encoding/binary"
	"fmt"
	"io"
	"strings"
)

// The list is ours: 1,024 English words of four to seven letters, chosen so
// that the first four letters tell them all apart and no two differ by one slip
// there. One word is worth 10 bits.
//
//go:embed words.txt
var wordsText string

// wordBits is what one word is worth.
const wordBits = 10

// PhraseWords is how many words a good passphrase has: 50 bits, behind argon2id.
const PhraseWords = 5

// fromFour is how many letters tell a word from all others.
const fromFour = 4

var (
	words  = strings.Fields(wordsText)
	byFour = func() map[string]string {
		m := make(map[string]string, len(words))
		for _, w := range words {
			m[w[:fromFour]] = w
		}
		return m
	}()
)

// NewPhrase draws n words, to be written on paper and typed with cold hands.
func NewPhrase(n int, random io.Reader) (string, error) {
	out := make([]string, n)
	for i := range out {
		var b [2]byte
		if _, err := io.ReadFull(random, b[:]); err != nil {
			return "", fmt.Errorf("draw words: %w", err)
		}
		out[i] = words[binary.BigEndian.Uint16(b[:])%(1<<wordBits)]
	}
	return strings.Join(out, " "), nil
}

// Normalise brings every way of typing words of the list to one: capitals,
// spaces, dashes and dots between the words or none, and four or more letters
// of each. A text that is not made of words of the list keeps its letters as
// they are; only spaces at its ends go.
func Normalise(text string) string {
	tokens := strings.FieldsFunc(strings.ToLower(text), between)
	found := make([]string, 0, len(tokens))
	for _, t := range tokens {
		if w, ok := wordOf(t); ok {
			found = append(found, w)
		}
	}
	if len(found) == len(tokens) && len(found) > 0 {
		return strings.Join(found, " ")
	}
	if joined := strings.Join(tokens, ""); len(joined) <= maxJoined {
		if split, ok := splitWords(joined); ok {
			return strings.Join(split, " ")
		}
	}
	return strings.TrimSpace(text)
}

// between says that a character only parts words.
func between(r rune) bool {
	return r == ' ' || r == '\t' || r == '\r' || r == '\n' || r == '-' || r == '.' || r == ',' || r == '_' ||
		r == '\u00a0' || 0x2010 <= r && r <= 0x2015
}

// wordOf finds the word that begins so: four letters are enough.
func wordOf(t string) (string, bool) {
	if len(t) < fromFour {
		return "", false
	}
	w, ok := byFour[t[:fromFour]]
	return w, ok && strings.HasPrefix(w, t)
}

// maxJoined bounds the search for words typed without spaces.
const maxJoined = 200

// splitWords takes letters apart into words of the list, the longest beginning
// of each first. A place from which it failed once is not tried again.
func splitWords(text string) ([]string, bool) {
	failed := make([]bool, len(text)+1)
	var out []string
	var walk func(at int) bool
	walk = func(at int) bool {
		if at == len(text) {
			return true
		}
		if failed[at] || len(text)-at < fromFour {
			return false
		}
		w := byFour[text[at:at+fromFour]]
		for n := min(len(w), len(text)-at); n >= fromFour; n-- {
			if text[at:at+n] != w[:n] {
				continue
			}
			out = append(out, w)
			if walk(at + n) {
				return true
			}
			out = out[:len(out)-1]
		}
		failed[at] = true
		return false
	}
	ok := walk(0)
	return out, ok && len(out) > 0
}

// Slips names what in a typed phrase is not a word of the list, when most of it
// is, with the nearest word. It is said before the slow try, and tells nothing
// about the secret that the list does not.
func Slips(text string) []string {
	tokens := strings.FieldsFunc(strings.ToLower(text), between)
	if len(tokens) < 2 || len(tokens) > 2*PhraseWords {
		return nil
	}
	var out []string
	for i, t := range tokens {
		if _, ok := wordOf(t); ok {
			continue
		}
		if near := nearest(t); near != "" {
			out = append(out, fmt.Sprintf("word %d is not on the list; did you mean %s?", i+1, near))
		} else {
			out = append(out, fmt.Sprintf("word %d is not on the list", i+1))
		}
	}
	if 2*len(out) > len(tokens) {
		return nil // no phrase of the list
	}
	return out
}

// nearest is the only word one slip away: a letter wrong, missing, too many, or
// two swapped.
func nearest(t string) string {
	found := ""
	for _, w := range words {
		if oneSlip(t, w) {
			if found != "" {
				return ""
			}
			found = w
		}
	}
	return found
}

func oneSlip(a, b string) bool {
	if len(a) > len(b) {
		a, b = b, a
	}
	if len(b)-len(a) > 1 {
		return false
	}
	i := 0
	for i < len(a) && a[i] == b[i] {
		i++
	}
	if len(a) < len(b) {
		return a[i:] == b[i+1:]
	}
	if i == len(a) {
		return true
	}
	swapped := i+1 < len(a) && a[i] == b[i+1] && a[i+1] == b[i] && a[i+2:] == b[i+2:]
	return swapped || a[i+1:] == b[i+1:]
}

// firstLine is a file's first line, without its end and a byte order mark.
func firstLine(data []byte) string {
	line, _, _ := strings.Cut(strings.TrimPrefix(string(data), "\ufeff"), "\n")
	return strings.TrimSuffix(line, "\r")
}
