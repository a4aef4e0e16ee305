package label

import (
	"strings"
	"testing"

	"pgregory.net/rapid"

	"thawtrail/internal/testrun"
)

func TestBatchTable(t *testing.T) {
	for _, row := range table(t, "batches.csv") {
		for _, pair := range [][2]string{{row["a"], row["b"]}, {row["b"], row["a"]}} {
			equal(t, row["relation"] == "same", SameBatch(pair[0], pair[1]), row)
			equal(t, row["relation"] == "near", NearBatch(pair[0], pair[1]), row)
		}
	}
}

func TestBatchMatching(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		code := rapid.StringMatching(`[A-Z0-9/._]{1,12}`).Draw(t, "code")
		at := rapid.IntRange(0, len(code)).Draw(t, "at")
		typed := code[:at] + rapid.SampledFrom([]string{" ", "-", "–", "\u00a0", ""}).Draw(t, "gap") + strings.ToLower(code[at:])
		equal(t, true, SameBatch(code, typed))
		equal(t, false, NearBatch(code, typed))
		equal(t, CanonicalBatch(typed), CanonicalBatch(CanonicalBatch(typed)))
	})
}

func TestAnyTextHasACanonicalBatch(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		text := rapid.String().Draw(t, "text")
		equal(t, CanonicalBatch(text), CanonicalBatch(CanonicalBatch(text)))
	})
}

// oneEdit against trying every edit.
func TestOneEditAgainstTryingAll(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		a := rapid.StringMatching(`[AB]{0,5}`).Draw(t, "a")
		b := rapid.StringMatching(`[AB]{0,5}`).Draw(t, "b")
		equal(t, edits(a)[b], oneEdit([]rune(a), []rune(b)), a, b)
	})
}

// edits are all the texts at most one edit away, over the letters A and B.
func edits(text string) map[string]bool {
	out := map[string]bool{text: true}
	for i := range len(text) + 1 {
		for _, c := range "AB" {
			out[text[:i]+string(c)+text[i:]] = true
		}
		if i == len(text) {
			break
		}
		out[text[:i]+text[i+1:]] = true
		for _, c := range "AB" {
			out[text[:i]+string(c)+text[i+1:]] = true
		}
		if i > 0 {
			out[text[:i-1]+text[i:i+1]+text[i-1:i]+text[i+1:]] = true
		}
	}
	return out
}

func FuzzBatches(f *testing.F) {
	f.Add("P-2301", "p2301")
	f.Add("O1", "0I")
	f.Add("\xff", "\u00ad")
	f.Fuzz(func(t *testing.T, a, b string) {
		same, near := SameBatch(a, b), NearBatch(a, b)
		equal(t, same, SameBatch(b, a))
		equal(t, near, NearBatch(b, a))
		if same && near {
			t.Fatalf("%q and %q are the same and near", a, b)
		}
	})
}

func BenchmarkNearBatch(b *testing.B) {
	for b.Loop() {
		_ = NearBatch("EP-2301-A", "EP-2310-A")
	}
}
