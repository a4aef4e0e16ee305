package cli

import (
	"bytes"
	"context"
	"math"
	"strings"
	"testing"

	"thawtrail/internal/event"
	"thawtrail/internal/rpc"
)

// FuzzEntry types anything as an entry: it is refused, or it becomes a message
// that can be sent.
func FuzzEntry(f *testing.F) {
	for _, s := range entrySpecs() {
		f.Add(s.Rule.Example)
	}
	f.Add("weigh 5Q \xff --how scale")
	f.Add("correct 3f9a --reason x --with \"correct 3f9a --reason x --with 'close 5Q well'\"")
	d := newDesk(&bytes.Buffer{}, &bytes.Buffer{})
	f.Fuzz(func(t *testing.T, text string) {
		words, err := splitLine("text", text)
		if err != nil {
			return
		}
		req, err := d.parseEntry(words)
		if err != nil {
			r, ok := rpc.Refusal(err)
			if !ok || strings.ContainsAny(line(r.Error()), "\n\x1b") {
				t.Fatalf("not a refusal on one line: %q", err)
			}
			return
		}
		if _, _, err := event.Unwrap(req.Entry); err != nil {
			t.Fatal(err)
		}
	})
}

// FuzzPlanNumber types anything as a weight: it is refused, or it is a number.
func FuzzPlanNumber(f *testing.F) {
	for _, s := range []string{"50", "52,5", "NaN", "1e9", "-0", "5\u00a0000", "0x10", "50 kg", ".5", "1_000"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		var out, errs bytes.Buffer
		d := newDesk(&out, &errs)
		code := run(context.Background(), d, []string{"plan", "dose", "--igg-g-per-l", "3", "--weight-kg=" + text, "--json"})
		switch {
		case code == exitRefused && strings.Count(errs.String(), "\n") == 1:
		case code == exitDone && !strings.Contains(out.String(), "NaN") && !strings.Contains(out.String(), "Inf"):
		default:
			t.Fatalf("%q: exit %d, %s", text, code, errs.String())
		}
	})
}

// TestNumbersOnTheScreen holds the short form of numbers against the long one.
func TestNumbersOnTheScreen(t *testing.T) {
	for v, want := range map[float64]string{
		0: "0", 1: "1", 0.5: "0.5", 1234.5: "1234", 1235.5: "1236", 123.45: "123.5", 12.345: "12.35", 0.00004: "4e-05", -2.5: "-2.5", 1e9: "1000000000",
		math.Inf(1): "+Inf",
	} {
		if got := number(v); got != want {
			t.Errorf("number(%v) = %s, want %s", v, got, want)
		}
	}
}
