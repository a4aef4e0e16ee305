package cli

import (
	"bytes"
	"context"
	"strings"
	"testing"
)

// FuzzPlanLine types anything behind plan: exit 2 with one line on standard error,
// or exit 0 with an answer in numbers.
func FuzzPlanLine(f *testing.F) {
	for _, c := range promised {
		if !strings.Contains(c.line, "STOCK") {
			f.Add(strings.TrimPrefix(c.line, "plan "))
		}
	}
	for _, line := range []string{
		"end --volume-ml 950 --noted 02:10=150 --noted 02:30=430", "thaw --held-at-c 37 --recorded 40=52", "shelf --expiry 2028-03 --warm 3@4/soft",
		"demand --mean 4", "dose --weight-kg=-0 --igg-band 0-0", "mkt --celsius ,,", "weigh --girth-cm 8\u00a04", "drip -- x",
	} {
		f.Add(line)
	}
	f.Fuzz(func(t *testing.T, text string) {
		words, err := splitLine("text", text)
		if err != nil || strings.Contains(text, "stock") { // a stock file is read from the disk
			return
		}
		var out, errs bytes.Buffer
		d := newDesk(&out, &errs)
		code := run(context.Background(), d, append(append([]string{"plan"}, words...), "--json"))
		switch {
		case code == exitRefused && strings.Count(errs.String(), "\n") == 1 && out.Len() == 0:
		case code == exitDone && !strings.Contains(out.String(), `"NaN"`) && !strings.Contains(out.String(), `Infinity"`) && !strings.Contains(out.String(), "%!"):
		default:
			t.Fatalf("%q: exit %d, %s", text, code, errs.String())
		}
	})
}
