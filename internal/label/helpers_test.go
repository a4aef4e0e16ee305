package label

import (
	"encoding/csv"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"thawtrail/internal/refusal"
)

// tester is what *testing.T, *testing.B and *rapid.T share.
type tester interface {
	Helper()
	Fatalf(format string, args ...any)
}

func must[T any](value T, err error) func(t tester) T {
	return func(t tester) T {
		t.Helper()
		if err != nil {
			t.Fatalf("unexpected: %v", err)
		}
		return value
	}
}

func equal(t tester, want, got any, about ...any) {
	t.Helper()
	if !reflect.DeepEqual(want, got) {
		t.Fatalf("%v: want %v, got %v", about, want, got)
	}
}

func contains(t tester, text, part string) {
	t.Helper()
	if !strings.Contains(text, part) {
		t.Fatalf("%q does not contain %q", text, part)
	}
}

// refused fails unless err is a whole refusal on one line; it returns the line.
func refused(t tester, err error, about ...any) string {
	t.Helper()
	r, ok := refusal.As(err)
	if !ok {
		t.Fatalf("%v: want a refusal, got %v", about, err)
	}
	if r.Field == "" || r.Want == "" || strings.Contains(r.Error(), "\n") {
		t.Fatalf("%v: incomplete refusal: %q", about, r.Error())
	}
	return r.Error()
}

// table reads a CSV of vectors, one map a row, by the names in its first row.
// Text between braces stands for what a CSV cannot show: {GS}, {CR}, {LF}.
func table(t *testing.T, name string) []map[string]string {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "testdata", "label", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil || len(rows) < 2 {
		t.Fatalf("%s: %d rows, %v", name, len(rows), err)
	}
	var out []map[string]string
	for _, row := range rows[1:] {
		named := map[string]string{}
		for i, cell := range row {
			named[rows[0][i]] = strings.NewReplacer("{GS}", "\x1d", "{CR}", "\r", "{LF}", "\n", "{TAB}", "\t").Replace(cell)
		}
		if named["source"] == "" {
			t.Fatalf("%s: row without a source: %v", name, row)
		}
		out = append(out, named)
	}
	return out
}
