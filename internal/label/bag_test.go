package label

import (
	"bytes"
	"errors"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"testing/iotest"

	"pgregory.net/rapid"

	"thawtrail/internal/testrun"
)

// someBag is a number from the generator itself.
func someBag(t tester, seed uint64) BagNumber {
	return must(NewBagNumber(rand.NewChaCha8([32]byte{byte(seed), byte(seed >> 8), byte(seed >> 16)})))(t)
}

// The check character's step is a permutation of the 36 states for every
// character, and tells any two characters apart from every state. By induction
// a single wrong character changes the final state, whatever follows it.
func TestHybridStepsArePermutations(t *testing.T) {
	for fixed := range 36 {
		byState, byValue := map[int]bool{}, map[int]bool{}
		for other := range 36 {
			byState[hybridStep(other+1, fixed)] = true
			byValue[hybridStep(fixed+1, other)] = true
		}
		equal(t, 36, len(byState), "value", fixed)
		equal(t, 36, len(byValue), "state", fixed+1)
		if byState[0] || byState[37] {
			t.Fatalf("value %d leads out of the states 1 to 36", fixed)
		}
	}
}

// hybridMissesSwap says whether MOD 37,36 itself cannot tell ab from ba, in the
// middle of a number or, when last, at its end.
func hybridMissesSwap(state, a, b int, last bool) bool {
	if last {
		return hybridCheck(hybridStep(state, a)) == b && hybridCheck(hybridStep(state, b)) == a
	}
	return hybridStep(hybridStep(state, a), b) == hybridStep(hybridStep(state, b), a)
}

// The figure in the comment of BagNumber; an independent script gives the same.
func TestHybridMissesSomeSwaps(t *testing.T) {
	missed, all := 0, 0
	for state := 1; state <= 36; state++ {
		for i := range bagAlphabet {
			for j := range i {
				a, b := symbolValue(bagAlphabet[i]), symbolValue(bagAlphabet[j])
				all++
				for _, last := range []bool{false, true} {
					if hybridMissesSwap(state, a, b, last) {
						missed++
					}
				}
			}
		}
	}
	equal(t, 17856, all)
	equal(t, 29, missed)
}

// textHidesSwap says whether the characters of the beginning of a number
// already hide a swap.
func textHidesSwap(text string) bool {
	state := hybridStart
	for i := 1; i < len(text); i++ {
		a, b := symbolValue(text[i-1]), symbolValue(text[i])
		if a != b && hybridMissesSwap(state, a, b, false) {
			return true
		}
		state = hybridStep(state, a)
	}
	return false
}

// prefixes gives, for each state that n characters can reach, up to three texts
// with unlike ends that reach it and hide no swap.
func prefixes(n int) map[int][]string {
	reach := map[int][]string{hybridStart: {""}}
	for range n {
		next := map[int][]string{}
		for state := 1; state <= 36; state++ {
			for _, prefix := range reach[state] {
				for i := range bagAlphabet {
					text := prefix + bagAlphabet[i:i+1]
					to := hybridStep(state, symbolValue(bagAlphabet[i]))
					if len(next[to]) < 3 && !textHidesSwap(text) && !slices.ContainsFunc(next[to], func(p string) bool { return p[len(p)-1] == bagAlphabet[i] }) {
						next[to] = append(next[to], text)
					}
				}
			}
		}
		reach = next
	}
	return reach
}

// complete finds a number that we could print and that begins with text.
func complete(text string) (BagNumber, bool) {
	const fill = "07E3TQ5"
	for i := range bagAlphabet {
		for j := range bagAlphabet {
			tail := string(bagAlphabet[i]) + string(bagAlphabet[j]) + fill
			body := (text + tail)[:bagBody]
			var bits uint64
			for k := range bagBody {
				bits = bits<<5 | uint64(strings.IndexByte(bagAlphabet, body[k]))
			}
			n, ok := bagFrom([5]byte{byte(bits >> 32), byte(bits >> 24), byte(bits >> 16), byte(bits >> 8), byte(bits)})
			if ok && strings.HasPrefix(string(n), text) {
				return n, true
			}
			if len(text) >= bagBody {
				return "", false
			}
		}
	}
	return "", false
}

// All that the past of a place can do to the check is its state. So for every
// place, every state that can be reached there and every pair of characters
// from there on: either the pair is one that MOD 37,36 cannot tell from its
// swap, and no such number is made, or a number is made, and every other
// character at that place and the swap are refused. The last place takes the
// check character as its neighbour and is tried with every number.
func TestBagCatchesEverySlipExhaustively(t *testing.T) {
	tried := 0
	for place := range bagBody - 1 {
		for _, texts := range prefixes(place) {
			for i := range bagAlphabet {
				for j := range bagAlphabet {
					if slipsAfter(t, texts, bagAlphabet[i:i+1]+bagAlphabet[j:j+1]) {
						tried++
					}
				}
			}
		}
	}
	if tried < 180_000 {
		t.Fatalf("only %d pairs were tried", tried)
	}
}

// slipsAfter makes a number with the pair behind one of the texts and tries its
// slips. It says false when no number may have the pair there.
func slipsAfter(t *testing.T, texts []string, pair string) bool {
	t.Helper()
	for _, text := range texts {
		n, made := complete(text + pair)
		if made && textHidesSwap(text+pair) {
			t.Fatalf("%s hides a swap", n)
		}
		if made {
			slipsRefused(t, n, len(text))
			return true
		}
		if len(text) < bagBody-3 && !textHidesSwap(text+pair) {
			t.Fatalf("no number begins with %s", text+pair)
		}
	}
	return false
}

// slipsRefused tries every wrong character at place and at the check character,
// and the swaps of place and of the check character with what follows or
// precedes them.
func slipsRefused(t *testing.T, n BagNumber, place int) {
	t.Helper()
	slip := []byte(n)
	for _, at := range []int{place, bagBody} {
		for i := range bagAlphabet {
			slip[at] = bagAlphabet[i]
			if slip[at] != n[at] && bagChecks(slip) {
				t.Fatalf("%s passes as %s", n, slip)
			}
		}
		slip[at] = n[at]
	}
	for _, at := range []int{place, bagBody - 1} {
		slip[at], slip[at+1] = n[at+1], n[at]
		if slip[at] != slip[at+1] && bagChecks(slip) {
			t.Fatalf("%s passes as %s", n, slip)
		}
		slip[at], slip[at+1] = n[at], n[at+1]
	}
}

func TestBagSlipsAreRefused(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		n := someBag(t, rapid.Uint64().Draw(t, "seed"))
		text := []byte(n)
		at := rapid.IntRange(1, bagLength-1).Draw(t, "at")
		if rapid.Bool().Draw(t, "swap") {
			text[at-1], text[at] = text[at], text[at-1]
		} else {
			text[at] = rapid.SampledFrom([]byte(bagAlphabet)).Draw(t, "wrong")
		}
		if string(text) == string(n) {
			return
		}
		_, err := ParseBag(string(text))
		contains(t, refused(t, err), "check character "+string(text[bagBody]))
	})
}

func TestBagForgivesHowItIsTyped(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		n := someBag(t, rapid.Uint64().Draw(t, "seed"))
		typed := n.String()
		equal(t, 11, len(typed))
		for _, r := range []struct{ from, to string }{{"0", "O"}, {"0", "o"}, {"1", "I"}, {"1", "l"}, {"-", " "}, {"-", "–"}, {"-", ""}} {
			if rapid.Bool().Draw(t, r.to) {
				typed = strings.Replace(typed, r.from, r.to, 1)
			}
		}
		if rapid.Bool().Draw(t, "lower") {
			typed = strings.ToLower(typed)
		}
		equal(t, n, must(ParseBag(" "+typed+"\r\n"))(t))
	})
}

func TestBagRefusals(t *testing.T) {
	n := someBag(t, 7)
	for text, part := range map[string]string{
		"":                       "0 characters",
		string(n[:8]):            "8 characters",
		string(n) + "0":          "10 characters",
		"U" + string(n[1:]):      "only digits",
		"é" + string(n[1:]):      "only digits",
		"\xff" + string(n[1:]):   "only digits",
		strings.Repeat("0", 1e6): "1000000 bytes",
	} {
		_, err := ParseBag(text)
		contains(t, refused(t, err), part)
	}
}

func TestBagSourceFails(t *testing.T) {
	broken := errors.New("no random bytes here")
	if _, err := NewBagNumber(iotest.ErrReader(broken)); !errors.Is(err, broken) {
		t.Fatalf("got %v", err)
	}
	if _, err := NewBagNumber(bytes.NewReader([]byte{1, 2})); err == nil {
		t.Fatal("two bytes made a number")
	}
	// A source of nothing but draws that must be thrown away repeats itself.
	bad := [5]byte{}
	for _, ok := bagFrom(bad); ok; _, ok = bagFrom(bad) {
		bad[4]++
	}
	_, err := NewBagNumber(bytes.NewReader(bytes.Repeat(bad[:], bagDraws)))
	if err == nil {
		t.Fatal("a bad draw made a number")
	}
	contains(t, err.Error(), "repeats itself")
}

func TestBagCharactersAreAllUsed(t *testing.T) {
	random := rand.NewChaCha8([32]byte{1})
	var seen [bagLength][256]int
	for range 20_000 {
		n := must(NewBagNumber(random))(t)
		for i := range bagLength {
			seen[i][n[i]]++
		}
	}
	for i := range bagLength {
		for j := range bagAlphabet {
			if got := seen[i][bagAlphabet[j]]; got < 300 {
				t.Fatalf("place %d has %c only %d times in 20,000", i, bagAlphabet[j], got)
			}
		}
	}
}

func FuzzParseBag(f *testing.F) {
	for _, seed := range []string{"", "0000-0000-0", "OIL0 1234 5", "éééé", "\xff\x00", "1234-5678-9-", string(someBag(f, 1))} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		n, err := ParseBag(text)
		if err != nil {
			refused(t, err)
			return
		}
		equal(t, n, must(ParseBag(n.String()))(t))
	})
}

func BenchmarkNewBagNumber(b *testing.B) {
	random := rand.NewChaCha8([32]byte{1})
	for b.Loop() {
		must(NewBagNumber(random))(b)
	}
}

func BenchmarkParseBag(b *testing.B) {
	text := someBag(b, 1).String()
	for b.Loop() {
		must(ParseBag(text))(b)
	}
}
