package vault

import (
	"slices"
	"strings"
)

// maxMended bounds the slow tries that one slip may cost.
const maxMended = 12

// maxMendable is the longest phrase of the list, with a letter too many.
const maxMendable = 7*PhraseWords + 1

// Mend gives the phrases of the list that a typed text becomes when one slip is put
// right: a letter wrong, missing, too many, or two swapped. A text that needs no
// mending has none, nor has one that is no phrase of PhraseWords words.
//
// A slip is put right before a person is asked to type it all again, which costs
// them far more time than a few slow tries. Whoever guesses gains nothing: each
// phrase still costs a slow try.
func Mend(text string) []string {
	joined := strings.Join(strings.FieldsFunc(strings.ToLower(text), between), "")
	if _, ok := splitWords(joined[:min(len(joined), maxMendable)]); ok || len(joined) > maxMendable {
		return nil
	}
	var out []string
	eachSlip(joined, func(mended string) bool {
		words, ok := splitWords(mended)
		if phrase := strings.Join(words, " "); ok && len(words) == PhraseWords && !slices.Contains(out, phrase) {
			out = append(out, phrase)
		}
		return len(out) < maxMended
	})
	return out
}

// eachSlip hands on every text from which one slip leads to this one, until fn says
// stop.
func eachSlip(text string, fn func(string) bool) {
	for i := range len(text) + 1 {
		head, tail := text[:i], text[i:]
		if len(tail) > 1 && !fn(head+tail[1:2]+tail[:1]+tail[2:]) || tail != "" && !fn(head+tail[1:]) {
			return
		}
		for c := 'a'; c <= 'z'; c++ {
			if tail != "" && !fn(head+string(c)+tail[1:]) || !fn(head+string(c)+tail) {
				return
			}
		}
	}
}
