package replica

import (
	"slices"
	"strings"
	"sync"
	"time"
)

// Parts says which parts of the program do not work now. What runs behind the
// journal may fail and is tried again; meanwhile people and monitors must see it.
// The zero value is ready, and a nil one forgets what it is told.
type Parts struct {
	mu   sync.Mutex // guards the field below
	down map[string]PartDown
}

// PartDown is a part that does not work.
type PartDown struct {
	Part     string
	Problem  string // of the last failure
	Since    time.Time
	Failures int64 // in a row
}

// Fail notes that a part has failed.
func (p *Parts) Fail(part string, err error, now time.Time) {
	if p == nil {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	d, ok := p.down[part]
	if !ok {
		d = PartDown{Part: part, Since: now}
	}
	if p.down == nil {
		p.down = map[string]PartDown{}
	}
	d.Problem, d.Failures = err.Error(), d.Failures+1
	p.down[part] = d
}

// Works notes that a part works, and says whether it had failed before.
func (p *Parts) Works(part string) (again bool) {
	if p == nil {
		return false
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	_, again = p.down[part]
	delete(p.down, part)
	return again
}

// Down lists the parts that do not work, by name.
func (p *Parts) Down() []PartDown {
	if p == nil {
		return nil
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	out := make([]PartDown, 0, len(p.down))
	for _, d := range p.down {
		out = append(out, d)
	}
	slices.SortFunc(out, func(a, b PartDown) int { return strings.Compare(a.Part, b.Part) })
	return out
}
