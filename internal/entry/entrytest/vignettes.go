package entrytest

import (
	"encoding/csv"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// Vignette is one patient, what was typed, and what must then be said, stopped or
// recorded. The table of them is played by commands and by pages alike.
type Vignette struct {
	Hazard  string
	Patient string
	Before  []string // typed first; each has to be saved
	Line    string   // typed then, or asked: see Hand
	Refused string   // the field that a refusal names; empty when it is saved
	Codes   []string // cautions that are raised; with - in front: that are not
	Says    []string // parts of what is said
}

// Answer is what a hand was told.
type Answer struct {
	Made    []string // ids of what came into being
	Refused bool
	Field   string // that the refusal names; empty where a page shows it beside the field
	Text    string
	Raised  func(code string) bool
}

// Hand types lines as at the command line. Beside entries it knows questions: 'case',
// 'bag' and 'now', of which it gives what is answered.
type Hand interface {
	Type(line string) Answer
	Wait(time.Duration)
	Records() int
}

// practice is what every vignette begins with. Capitals stand for ids.
var practice = []string{
	"practice found --name 'Alder Creek Equine' --zone Australia/Sydney --currency AUD --owner-name 'M. Alder'",
	"place add --name 'north car' --kind vehicle_freezer",
	"product card --name 'Foal plasma' --maker 'Wattle Biologics' --route vein --species horse --volume-ml 950 --least-igg-g-per-l 18 --storage-max-c -18 --thaw-max-c 37 --support-telephone '1800 000 000'",
	"protocol set --name 'newborn foal' --reaction-card 'adrenaline | 0.01 mg/kg | 1 mg/mL | vein' --checked-by 'J. Reed'",
	"BAG = receive --product 'Foal plasma' --batch H-2207 --expiry 2028-03 --volume-ml 950 --count 3 --place 'north car'",
	"CASE = open foal --dam Slate --sex filly --markings star --born -14h --clock-right",
	"OTHER = open foal --dam Fern --sex colt --born -9h --clock-right",
}

// Vignettes reads the table at a path.
func Vignettes(t testing.TB, path string) (out []Vignette) {
	t.Helper()
	f, err := os.Open(path)
	require.NoError(t, err)
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	for _, row := range rows[1:] {
		v := Vignette{Hazard: row[0], Patient: row[1], Line: row[3], Refused: row[4], Codes: strings.Fields(row[5])}
		v.Before, v.Says = parts(row[2]), parts(row[6])
		out = append(out, v)
	}
	return out
}

func parts(cell string) (out []string) {
	for _, p := range strings.Split(cell, ";") {
		if p = strings.TrimSpace(p); p != "" {
			out = append(out, p)
		}
	}
	return out
}

// Play types a vignette and holds the answer against it.
func (v Vignette) Play(t testing.TB, h Hand) {
	t.Helper()
	var names []string
	for _, line := range append(append([]string{}, practice...), v.Before...) {
		if wait, ok := strings.CutPrefix(line, "wait "); ok {
			d, err := time.ParseDuration(wait)
			require.NoError(t, err)
			h.Wait(d)
			continue
		}
		name := ""
		if left, right, ok := strings.Cut(line, " = "); ok {
			name, line = left, right
		}
		got := h.Type(strings.NewReplacer(names...).Replace(line))
		require.False(t, got.Refused, "%s\n%s", line, got.Text)
		names = append(names, named(name, got.Made)...)
	}
	before := h.Records()
	got := h.Type(strings.NewReplacer(names...).Replace(v.Line))
	v.compare(t, got, h.Records()-before, names)
}

// named gives what was made its name: CASE, or BAG1, BAG2 and so on, then BAG for the
// first of them, behind the longer names.
func named(name string, made []string) (pairs []string) {
	if name == "" {
		return nil
	}
	for i, id := range made {
		pairs = append(pairs, name+string(rune('1'+i)), id)
	}
	return append(pairs, name, made[0])
}

func (v Vignette) compare(t testing.TB, got Answer, written int, names []string) {
	t.Helper()
	require.Equal(t, v.Refused != "", got.Refused, got.Text)
	switch first, _, _ := strings.Cut(v.Line, " "); {
	case got.Refused:
		require.Zero(t, written, "what is refused leaves no record")
		if got.Field != "" {
			require.Equal(t, v.Refused, got.Field, got.Text)
		}
	case first == "case" || first == "bag" && strings.HasPrefix(v.Line, "bag show") || first == "now":
		require.Zero(t, written, "a question writes nothing")
	default:
		require.Positive(t, written, "what was typed is recorded")
	}
	for _, code := range v.Codes {
		if not, ok := strings.CutPrefix(code, "-"); ok {
			require.False(t, got.Raised(not), "%s is raised: %s", not, got.Text)
		} else {
			require.True(t, got.Raised(code), "%s is not raised: %s", code, got.Text)
		}
	}
	for _, part := range v.Says {
		said := false
		for _, way := range strings.Split(part, " || ") { // in a command's words, or in a page's
			said = said || strings.Contains(got.Text, strings.NewReplacer(names...).Replace(way))
		}
		require.True(t, said, "%q is not said: %s", part, got.Text)
	}
}

// Words parts a line at blanks; what stands in quotes is one word.
func Words(line string) (out []string) {
	word, quoted, begun := "", false, false
	for _, r := range line {
		switch {
		case r == '\'':
			quoted, begun = !quoted, true
		case r == ' ' && !quoted:
			if begun {
				out = append(out, word)
			}
			word, begun = "", false
		default:
			word, begun = word+string(r), true
		}
	}
	if begun {
		out = append(out, word)
	}
	return out
}
