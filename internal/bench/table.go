package bench

import (
	"errors"
	"fmt"
	"io"
	"os"
	"runtime"
	"runtime/debug"
	"strings"

	"thawtrail/internal/clock"
)

// Results can be kept as rows of a table, so that a commit that made something slower
// is seen. A row names the kind of the machine, and not the machine.

const tableHead = "commit\tdate\tmachine\tmeasure\tn\tseconds\tmedian\tspread_pct\tlimit_seconds\tratio\tothers_cpu_pct\n"

// table is a file of rows.
type table struct {
	file    *os.File
	begun   string // commit, date and machine, as every row begins
	written bool   // there are rows or a head in it
}

// openTable opens a table to add to it, or begins one.
func openTable(path string, c clock.Clock) (*table, error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o644) // #nosec G302 -- it is kept with the source
	if err != nil {
		return nil, err
	}
	at, err := f.Seek(0, io.SeekEnd)
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	begun := strings.Join([]string{commit(), c.Now().UTC().Format("2006-01-02"), machine()}, "\t")
	return &table{file: f, begun: begun, written: at > 0}, nil
}

func (t *table) add(r Result) error {
	text := ""
	if !t.written {
		text, t.written = tableHead, true
	}
	text += fmt.Sprintf("%s\t%s\t%d\t%g\t%s\t%s\t%g\t%s\t%s\n", t.begun, r.Name, r.N, rounded(r.Seconds),
		cell(r, "median_seconds"), cell(r, "spread_pct"), rounded(r.Limit), ratio(r.Ratio), cell(r, "others_cpu_pct"))
	_, err := t.file.WriteString(text)
	return err
}

// cell is a further number of a result, or a dash.
func cell(r Result, name string) string {
	if v, ok := r.More[name]; ok {
		return fmt.Sprint(v)
	}
	return "-"
}

// commit is what this program was built from, as far as it was told.
func commit() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	found, changed := "unknown", ""
	for _, s := range info.Settings {
		switch {
		case s.Key == "vcs.revision":
			found = s.Value[:min(len(s.Value), 10)]
		case s.Key == "vcs.modified" && s.Value == "true":
			changed = "+"
		}
	}
	return found + changed
}

// machine is the kind of machine: how many processors of which make, and the system.
func machine() string {
	kind := fmt.Sprintf("%d cpu, %s/%s", runtime.NumCPU(), runtime.GOOS, runtime.GOARCH)
	text, err := os.ReadFile("/proc/cpuinfo")
	if err != nil {
		return kind
	}
	for line := range strings.Lines(string(text)) {
		if name, value, ok := strings.Cut(line, ":"); ok && strings.TrimSpace(name) == "model name" {
			return kind + ", " + strings.Join(strings.Fields(value), " ")
		}
	}
	return kind
}
