package vault

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// Times of the keystroke-level model (S. K. Card, T. P. Moran, A. Newell, 'The
// keystroke-level model for user performance time with interactive systems', CACM
// 23(7), 1980, pp. 396-410; read in the table of a university's course page, not in
// the paper).
const (
	thinkS   = 1.35 // M: mental preparation, here once a word
	limitS   = 20.0 // what a start may take of a person's time
	nonTypS  = 0.28 // K: average non-secretary typist, 40 words a minute
	randomS  = 0.50 // K: random letters
	worstS   = 1.20 // K: worst typist, unfamiliar with the keyboard
	charsAWd = 5    // a 'word' of words a minute
)

// keys of one phrase: four letters of each word, and Enter; parted by spaces or not.
func keys(spaces bool) int {
	n := PhraseWords*fromFour + 1
	if spaces {
		n += PhraseWords - 1
	}
	return n
}

func phraseS(perKey float64, spaces bool) float64 {
	return float64(keys(spaces))*perKey + PhraseWords*thinkS
}

// TestAPhraseIsTypedInTwentySeconds is the table of doc.go.
func TestAPhraseIsTypedInTwentySeconds(t *testing.T) {
	perMinute := func(words float64) float64 { return 60 / (words * charsAWd) }
	require.InDelta(t, 1.5/charsAWd, perMinute(40), 1e-9)
	for _, c := range []struct {
		who           string
		perKey        float64
		apart, joined string
		within        bool
	}{
		// V. Dhakal, A. M. Feit, P. O. Kristensson, A. Oulasvirta, 'Observations on
		// Typing from 136 Million Keystrokes', CHI 2018; the mean as reported about it.
		{"mean of 168,000 volunteers, 52 words a minute", perMinute(52), "12.52", "11.60", true},
		{"average non-secretary typist, 40 words a minute", nonTypS, "13.75", "12.63", true},
		// C.-M. Karat et al., CHI 1999: the slow third of average computer users when
		// copying; as an encyclopaedia cites it.
		{"slow computer users, 23 words a minute", perMinute(23), "19.79", "17.71", true},
		{"random letters", randomS, "19.25", "17.25", true},
		{"worst typist, unfamiliar with the keyboard", worstS, "36.75", "31.95", false},
	} {
		apart, joined := phraseS(c.perKey, true), phraseS(c.perKey, false)
		require.Equal(t, c.apart, fmt.Sprintf("%.2f", apart), c.who)
		require.Equal(t, c.joined, fmt.Sprintf("%.2f", joined), c.who)
		require.Equal(t, c.within, apart <= limitS, c.who)
		require.Equal(t, c.within, joined <= limitS, c.who)
	}
	require.Equal(t, 50, PhraseWords*int(math.Log2(float64(len(words)))), "bits")
}

// slip makes one: a letter wrong, missing, too many, or two swapped.
func slip(r *rand.Rand, text string) string {
	i, c := r.IntN(len(text)-1), string(rune('a'+r.IntN(26)))
	switch r.IntN(4) {
	case 0:
		return text[:i] + c + text[i+1:]
	case 1:
		return text[:i] + text[i+1:]
	case 2:
		return text[:i] + c + text[i:]
	}
	return text[:i] + text[i+1:i+2] + text[i:i+1] + text[i+2:]
}

// TestOneSlipNeedsNoRetyping: nearly every phrase with a slip in it still opens, and
// costs few slow tries. What is missed has become another phrase of the list.
func TestOneSlipNeedsNoRetyping(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2)) // #nosec G404 -- slips, not secrets
	const n = 4000
	mended, tries := 0, 0
	for i := range n {
		var whole, typed []string
		for range PhraseWords {
			w := words[r.IntN(len(words))]
			whole = append(whole, w)
			if i%2 == 0 {
				w = w[:fromFour]
			}
			typed = append(typed, w)
		}
		wrong, want := slip(r, strings.Join(typed, " ")), strings.Join(whole, " ")
		found := Mend(wrong)
		require.LessOrEqual(t, len(found), maxMended)
		tries += 1 + len(found)
		if Normalise(wrong) == want || slices.Contains(found, want) {
			mended++
		}
	}
	require.GreaterOrEqual(t, float64(mended)/n, 0.99)
	require.Less(t, float64(tries)/n, 3.0)
}

func TestWhatIsNotMended(t *testing.T) {
	for _, text := range []string{
		"", "abbey acorn actor adobe alarm", "abbeacoractoadobalar", "a", "quite another sort of passphrase", "abbey acorn actor",
		"abbye aocrn actor adobe alarm", strings.Repeat("abbey ", 100), "pässwörter 12 und mehr davon",
	} {
		require.Empty(t, Mend(text), text)
	}
	require.Contains(t, Mend("ABBE aocr-acto adob alar"), "abbey acorn actor adobe alarm")
	require.Contains(t, Mend("abb eacoractoadobalar r"), "abbey acorn actor adobe alarm")
}

func FuzzMend(f *testing.F) {
	f.Add("abbey aocrn actor adobe alarm")
	f.Fuzz(func(t *testing.T, text string) {
		for _, phrase := range Mend(text) {
			if Normalise(phrase) != phrase || len(strings.Fields(phrase)) != PhraseWords {
				t.Fatalf("%q became %q", text, phrase)
			}
		}
	})
}
