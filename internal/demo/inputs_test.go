package demo

import (
	"bytes"
	"encoding/json"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/label"
)

// commandLine runs the program and gives what it printed, both ways in one, and
// its exit code.
func commandLine(t *testing.T, words ...string) (out string, code int) {
	t.Helper()
	o, e, code := commandOutput(t, words...)
	return o + e, code
}

func commandOutput(t *testing.T, words ...string) (out, errs string, code int) {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), program(t), words...)
	var o, e bytes.Buffer
	cmd.Stdout, cmd.Stderr = &o, &e
	var exit *exec.ExitError
	if err := cmd.Run(); errors.As(err, &exit) {
		return o.String(), e.String(), exit.ExitCode()
	} else if err != nil {
		require.NoError(t, err)
	}
	return o.String(), e.String(), 0
}

// alone is a laptop that never had a server, typed at through the command line.
type alone struct {
	t    *testing.T
	site *site
}

func startAlone(t *testing.T) *alone {
	t.Helper()
	s := &site{name: "laptop", args: []string{"agent", "--name", "lone laptop", "--pages", "127.0.0.1:0"}}
	require.NoError(t, s.open(t.Context(), program(t), t.TempDir()))
	t.Cleanup(s.close)
	return &alone{t, s}
}

// types runs a command that must be done.
func (a *alone) types(words ...string) string {
	a.t.Helper()
	out, errs, code := commandOutput(a.t, append(words, "--at", a.site.proc.address)...)
	require.Zero(a.t, code, "%q: %s", words, errs)
	return out
}

// wrote runs an entry and gives its record and the ids it made.
func (a *alone) wrote(words ...string) (record string, made []string) {
	a.t.Helper()
	var answer struct {
		Record string
		Made   []string
	}
	require.NoError(a.t, json.Unmarshal([]byte(a.types(append(words, "--json")...)), &answer))
	return answer.Record, answer.Made
}

func (a *alone) made(words ...string) []string {
	_, made := a.wrote(words...)
	return made
}

// records is how many the laptop holds.
func (a *alone) records() string {
	a.t.Helper()
	var answer struct{ Records string }
	require.NoError(a.t, json.Unmarshal([]byte(a.types("digest", "--json")), &answer))
	return answer.Records
}

// begin founds a practice with one product, one place and bags there.
func (a *alone) begin(bags string) []string {
	a.t.Helper()
	a.types("practice", "found", "--name", "Alder Creek Equine", "--zone", "Australia/Sydney", "--currency", "AUD", "--owner-name", "M. Alder")
	a.types("place", "add", "--name", "north car", "--kind", "vehicle_freezer")
	a.types("product", "card", "--name", "Foal plasma", "--maker", "Wattle Biologics", "--route", "vein", "--volume-ml", "950")
	return a.made("receive", "--product", "foal", "--batch", "H2207", "--expiry", "2099-03", "--volume-ml", "950", "--count", bags, "--place", "north car")
}

// slipped is a bag number with its check character wrong.
func slipped(bag string) string {
	for _, c := range "0123456789ABCDEFGHJKMNPQRSTVWXYZ" {
		if other := bag[:len(bag)-1] + string(c); other != bag {
			if _, err := label.ParseBag(other); err != nil {
				return other
			}
		}
	}
	return ""
}

// TestBadInput types what must be refused: exit code 2, one line on standard
// error that names the field, the value and what was expected, and no record.
func TestBadInput(t *testing.T) {
	a := startAlone(t)
	bag := a.begin("2")[0]
	c := a.made("open", "foal", "--dam", "Quiet Harbour", "--sex", "filly", "--clock-right")[0]
	a.types("check", "hang", c, bag, "--all")
	a.types("start", c, bag)
	before := a.records()

	megabyte := strings.Repeat("x", 1<<20)
	stock := filepath.Join(t.TempDir(), "stock.json")
	require.NoError(t, os.WriteFile(stock, []byte(`{"bags":[{"id":"`+megabyte+`","volume_ml":950,"state":"frozen","use_by":"2099-01-01T00:00:00Z"}]}`), 0o600))
	piece := megabyte[:1<<17-1] // Linux passes on no longer word
	receive := func(flag, value string) []string {
		flags := map[string]string{"product": "foal", "batch": "H2231", "expiry": "2099-03", "volume-ml": "950", "count": "1", "place": "north car"}
		flags[flag] = value
		words := []string{"receive"}
		for _, f := range []string{"product", "batch", "expiry", "volume-ml", "count", "place"} {
			words = append(words, "--"+f, flags[f])
		}
		return words
	}
	for _, tt := range []struct {
		name  string
		words []string
		names []string // what the line must hold: field, value, expectation
	}{
		{"check character", []string{"thaw", slipped(bag), "--case", c}, []string{"bag", slipped(bag), "check character"}},
		{"no such day", receive("expiry", "2026-02-30"), []string{"expiry", "2026-02-30", "expected"}},
		{"ambiguous day", receive("expiry", "03/04/27"), []string{"expiry", "03/04/27", "expected"}},
		{"negative kilograms", []string{"weigh", "--how", "scale", "--", c, "-5"}, []string{"weight", "-5", "expected"}},
		{"negative kilograms that look like a flag", []string{"weigh", c, "-5", "--how", "scale"}, []string{"-5", "expected", "negative number"}},
		{"grams for kilograms", []string{"weigh", c, "5000", "--how", "scale"}, []string{"weight", "5000", "expected", "1500"}},
		{"mg/dL for g/L", []string{"igg", c, "--kind", "strip", "--igg-g-per-l", "350"}, []string{"igg", "350", "expected", "mg/dL"}},
		{"more than the bag", []string{"finish", c, bag, "1426"}, []string{"given_ml", "1426", "expected", "1.5 times the 950 mL"}},
		{"NaN kilograms", []string{"weigh", c, "NaN", "--how", "scale"}, []string{"weight", "NaN", "expected"}},
		{"NaN in a plan", []string{"plan", "dose", "--weight-kg", "NaN", "--igg-unknown"}, []string{"weight_kg", "NaN", "expected"}},
		{"infinite plan", []string{"plan", "dose", "--weight-kg", "Inf", "--igg-unknown"}, []string{"weight_kg", "Inf", "expected"}},
		{"no UTF-8", []string{"place", "add", "--name", "north\xff\xfecar", "--kind", "shelf"}, []string{"name", "expected", "UTF-8"}},
		{"no UTF-8 in a number", []string{"weigh", c, "5\xff2", "--how", "scale"}, []string{"weight", "expected"}},
		{"long text", []string{"note", "case", c, "--text", piece}, []string{"text", "expected", "4000"}},
		{"1 MB of words", append([]string{"move"}, append(strings.Split(strings.Repeat(piece+" ", 8), " ")[:8], "--to", "north car")...), []string{"bags", "expected"}},
		{"1 MB in a file", []string{"plan", "pick", "--need-ml", "900", "--stock", stock}, []string{"stock", "expected", "1048576"}},
		{"unknown place", receive("place", "nowhere"), []string{"place", "nowhere", "expected"}},
		{"unknown author", []string{"start", c, bag, "--by", "N. Obody"}, []string{"by", "N. Obody", "expected"}},
		{"control characters", []string{"case", "\x1b[31mred"}, []string{"case", "expected"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			words := tt.words
			if words[0] != "plan" {
				words = append([]string{words[0], "--at", a.site.proc.address}, words[1:]...)
			}
			out, errs, code := commandOutput(t, words...)
			require.Equal(t, 2, code, "%s%s", out, errs)
			require.Empty(t, out)
			require.Equal(t, 1, strings.Count(errs, "\n"), errs)
			require.LessOrEqual(t, len(errs), 600, "one line that can be read")
			for _, want := range tt.names {
				require.Contains(t, errs, want)
			}
			require.NotContains(t, errs, "\x1b")
			require.Equal(t, before, a.records(), "nothing is written")
		})
	}
}
