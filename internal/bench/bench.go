package bench

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"slices"
	"strings"
	"time"

	"thawtrail/internal/clock"
	"thawtrail/internal/refusal"
)

// Config says what to measure.
type Config struct {
	JSON    bool      // one object a line instead of a table
	Only    string    // name of one measure; empty: all but the very long ones
	Quick   bool      // a tenth of the records and repetitions: to see that it runs
	Whole   bool      // the very long measures too, and ten minutes of idling
	Table   string    // file that results are added to as rows; empty: none
	Out     io.Writer // results; what goes on meanwhile is not told
	Program string    // this program, to be started again for measures of a whole process
	Dir     string    // where to work; a temporary folder when empty
	Hosted  Hosted    // the size of the measures of many practices
	// Database is the address of a PostgreSQL, for the measure of a practice in one; without
	// it that one runs only when it is asked for, and says what it lacks.
	Database string
}

// Hosted is how many practices one process serves, and what they hold; 0 stands for a size
// that takes a minute.
type Hosted struct{ Practices, Records, Active int64 }

// Result is one measure.
type Result struct {
	Name    string
	N       int64   // records, or repetitions
	Seconds float64 // ours
	Limit   float64 // the limit's seconds; 0 when there is none
	Ratio   float64 // ours over the limit's; 0 when there is none
	What    string  // what the limit is
	More    map[string]any
}

// MarshalJSON puts the further numbers beside the fixed ones.
func (r Result) MarshalJSON() ([]byte, error) {
	fields := maps.Clone(r.More)
	if fields == nil {
		fields = map[string]any{}
	}
	maps.Copy(fields, map[string]any{
		"name": r.Name, "n": r.N, "seconds": rounded(r.Seconds), "limit_seconds": rounded(r.Limit), "ratio": rounded(r.Ratio), "limit": r.What,
	})
	return json.Marshal(fields)
}

// rounded keeps six decimals: microseconds.
func rounded(v float64) float64 { return float64(int64(v*1e6+0.5)) / 1e6 }

// against is a result that is held against a limit.
func against(name string, n int64, ours, limit time.Duration, what string) Result {
	r := Result{Name: name, N: n, Seconds: ours.Seconds(), Limit: limit.Seconds(), What: what, More: map[string]any{}}
	if limit > 0 {
		r.Ratio = r.Seconds / r.Limit
	}
	return r
}

// measure is one entry of the list.
type measure struct {
	names    []string // of its results
	long     bool     // only when asked for by name, or when all is asked for
	database bool     // asks for Config.Database
	run      func(context.Context, *lab) ([]Result, error)
}

// Run measures and prints. It refuses a name that it does not know.
func Run(ctx context.Context, cfg Config) (err error) {
	todo, err := chosen(cfg)
	if err != nil {
		return err
	}
	p := printer{cfg: cfg}
	if cfg.Table != "" {
		if p.table, err = openTable(cfg.Table, clock.System{}); err != nil {
			return err
		}
		defer func() { err = errors.Join(err, p.table.file.Close()) }()
	}
	dir, err := os.MkdirTemp(cfg.Dir, "thawtrail-bench-")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	l := newLab(cfg, dir)
	for _, m := range todo {
		before, _ := loadNow()
		results, err := m.run(ctx, l)
		if err != nil {
			return fmt.Errorf("%s: %w", strings.Join(m.names, ", "), err)
		}
		if now, ok := loadNow(); ok {
			note(results, now.others(before))
		}
		for _, r := range results {
			if err := p.print(r); err != nil {
				return err
			}
		}
	}
	return nil
}

// Names lists all measures in the order in which they run.
func Names() []string {
	var out []string
	for _, m := range measures() {
		out = append(out, m.names...)
	}
	return out
}

func chosen(cfg Config) ([]measure, error) {
	all, only := measures(), cfg.Only
	if only == "" {
		return slices.DeleteFunc(all, func(m measure) bool { return m.long && !cfg.Whole || m.database && cfg.Database == "" }), nil
	}
	for _, m := range all {
		if slices.Contains(m.names, only) {
			return []measure{m}, nil
		}
	}
	return nil, refusal.New("only", only, "one of "+strings.Join(Names(), ", "))
}

// stopwatch measures time by the clock that nobody can set.
func stopwatch() func() time.Duration {
	c := clock.System{}
	start := c.Monotonic()
	return func() time.Duration { return c.Monotonic() - start }
}

// printer prints results as they come.
type printer struct {
	cfg    Config
	table  *table // nil: none
	headed bool
}

func (p *printer) print(r Result) error {
	if p.table != nil {
		if err := p.table.add(r); err != nil {
			return err
		}
	}
	if p.cfg.JSON {
		line, err := json.Marshal(r)
		if err == nil {
			_, err = fmt.Fprintf(p.cfg.Out, "%s\n", line)
		}
		return err
	}
	if !p.headed {
		p.headed = true
		fmt.Fprintf(p.cfg.Out, "%-22s %9s %12s %12s %8s\n", "measure", "n", "ours", "limit", "ratio")
	}
	_, err := fmt.Fprintf(p.cfg.Out, "%-22s %9d %12s %12s %8s\n%s", r.Name, r.N, shown(r.Seconds), shown(r.Limit), ratio(r.Ratio), more(r))
	return err
}

// shown is a time with three digits that count.
func shown(seconds float64) string {
	switch {
	case seconds == 0:
		return "-"
	case seconds < 1e-3:
		return fmt.Sprintf("%.1f us", seconds*1e6)
	case seconds < 1:
		return fmt.Sprintf("%.2f ms", seconds*1e3)
	}
	return fmt.Sprintf("%.2f s", seconds)
}

func ratio(v float64) string {
	if v == 0 {
		return "-"
	}
	return fmt.Sprintf("%.2f", v)
}

// more is what else was measured, on a line of its own.
func more(r Result) string {
	var parts []string
	for _, k := range slices.Sorted(maps.Keys(r.More)) {
		if v, ok := r.More[k].(float64); ok {
			parts = append(parts, fmt.Sprintf("%s %.4g", k, v))
			continue
		}
		parts = append(parts, fmt.Sprintf("%s %v", k, r.More[k]))
	}
	if r.What != "" {
		parts = append(parts, "limit: "+r.What)
	}
	if len(parts) == 0 {
		return ""
	}
	return "    " + strings.Join(parts, "; ") + "\n"
}
