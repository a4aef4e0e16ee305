package bench

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"runtime"
	"strconv"
	"time"

	"golang.org/x/sync/errgroup"

	"thawtrail/internal/bench/nights"
	"thawtrail/internal/clock"
	"thawtrail/internal/store"
)

const (
	// linksOfPractice are the laptops of each practice that is active.
	linksOfPractice = 8
	// openBeside are places for practices that are opened in turn: one is still closing when
	// the next is asked for.
	openBeside = 4
	// mostOpened bounds how many practices are opened to see how long it takes.
	mostOpened = 200
	// ticksPerSecond is USER_HZ, 100 wherever this program runs on Linux (proc(5)).
	ticksPerSecond = 100

	hostedOpenText = "none; p99 of a command that is answered by a practice that was closed, among so many of one process; target 1 s"
	hostedIdleText = "none; one process of its own, left alone with its links; targets: 4096 MB, 5 % of a core, at 2,000 practices of 10,000 records with 50 active"
)

// hostedMeasure has one process serve many practices: how long one takes to open, and what
// all cost while nobody does anything.
func hostedMeasure(ctx context.Context, l *lab) (out []Result, err error) {
	n, records := l.size(cmp.Or(l.cfg.Hosted.Practices, 40)), l.size(cmp.Or(l.cfg.Hosted.Records, 1000))
	active := min(n, l.size(cmp.Or(l.cfg.Hosted.Active, 5)))
	many, err := l.manyPractices(ctx, n, records, active)
	if err != nil {
		return nil, err
	}
	stop, err := many.start(ctx, l, active)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, stop()) }()
	opened, err := many.openEach(ctx)
	if err != nil {
		return nil, err
	}
	r := against("hosted_open", n, percentile(opened, 99), 0, hostedOpenText)
	r.More["p50_ms"], r.More["p99_ms"], r.More["opened"], r.More["records_each"] = ms(median(opened)), ms(percentile(opened, 99)), float64(len(opened)), float64(records)
	idle, err := many.idle(ctx, hostedIdleFor(l))
	if err != nil {
		return nil, err
	}
	idle.N = n
	return []Result{r, idle}, nil
}

func hostedIdleFor(l *lab) time.Duration {
	switch {
	case l.cfg.Quick:
		return 2 * time.Second
	case l.cfg.Whole || l.cfg.Hosted.Practices > 0:
		return 5 * time.Minute
	}
	return 20 * time.Second
}

// manyPractices are folders of practices, and the process that serves them.
type manyPractices struct {
	dir, keys string
	names     []string
	links     [][]member // of the practices that are active, the first ones
	host      *program
}

// manyPractices fills them, as many at once as there are cores.
func (l *lab) manyPractices(ctx context.Context, n, records, active int64) (*manyPractices, error) {
	dir, err := l.folder("practices")
	if err != nil {
		return nil, err
	}
	keys, err := l.folder("keys")
	if err != nil {
		return nil, err
	}
	m := &manyPractices{dir: dir, keys: keys, names: make([]string, n), links: make([][]member, active)}
	group, ctx := errgroup.WithContext(ctx)
	group.SetLimit(runtime.GOMAXPROCS(0))
	for i := range n {
		m.names[i] = fmt.Sprintf("p%05d", i)
		group.Go(func() error {
			hub, err := m.begin(ctx, m.names[i], records)
			if err == nil && i < active {
				m.links[i], err = members(ctx, hub, linksOfPractice)
			}
			return err
		})
	}
	return m, group.Wait()
}

// begin makes one practice of so many records.
func (m *manyPractices) begin(ctx context.Context, name string, records int64) (hub string, err error) {
	if err := keyFor(m.keys, name); err != nil {
		return "", err
	}
	hub = filepath.Join(m.dir, name)
	if err := begin(ctx, hub, clock.NewManual(nights.First.Add(-time.Hour))); err != nil {
		return "", err
	}
	c := nights.NewClock(nights.First)
	return hub, fill(ctx, hub, c, func(s *store.Store) error {
		_, err := nights.Write(ctx, s, c, records)
		return err
	})
}

// start runs the process of all these practices.
func (m *manyPractices) start(ctx context.Context, l *lab, open int64) (stop func() error, err error) {
	m.host, err = l.hostApart(ctx, "127.0.0.1:0", m.dir, m.keys, "--open", strconv.FormatInt(open+openBeside, 10), "--idle", "5s")
	if err != nil {
		return nil, err
	}
	return m.host.stop, nil
}

// door goes to one practice as a command of the machine does, which opens it.
func (m *manyPractices) door(name string) (*runningReplica, error) {
	return doorOf(filepath.Join(m.dir, name))
}

// openEach opens practices that are closed, one after the other, the active ones last: each
// takes the place of one before.
func (m *manyPractices) openEach(ctx context.Context) (times []time.Duration, err error) {
	for i := len(m.names) - 1; i >= 0 && len(times) < mostOpened; i-- {
		r, err := m.door(m.names[i])
		if err != nil {
			return nil, err
		}
		watch := stopwatch()
		_, err = r.status(ctx)
		times = append(times, watch())
		if err := errors.Join(err, r.conn.Close()); err != nil {
			return nil, err
		}
	}
	return times, nil
}

// idle makes the links of the active practices and measures the process while they are quiet.
func (m *manyPractices) idle(ctx context.Context, wait time.Duration) (r Result, err error) {
	ctx, cancel := context.WithCancel(ctx)
	var group errgroup.Group
	defer func() { cancel(); err = errors.Join(err, group.Wait()) }()
	links := 0
	for i, of := range m.links {
		here, err := m.door(m.names[i])
		if err != nil {
			return r, err
		}
		held, err := heldBy(ctx, here)
		if err := errors.Join(err, here.conn.Close()); err != nil {
			return r, err
		}
		if err := openPulls(ctx, []string{m.host.addr}, of, held, &arrivals{}, &group); err != nil {
			return r, err
		}
		links += len(of)
	}
	if err := m.rest(ctx, min(wait, 30*time.Second)); err != nil { // what was opened comes to rest
		return r, err
	}
	before, ok := ticksOf(strconv.Itoa(m.host.pid))
	if err := m.rest(ctx, wait); err != nil {
		return r, err
	}
	after, _ := ticksOf(strconv.Itoa(m.host.pid))
	kb, err := anonymous(m.host.pid)
	if err != nil || !ok {
		return r, errors.Join(errors.New("what a process costs can be read on Linux only"), err)
	}
	return Result{Name: "hosted_idle", Seconds: wait.Seconds(), What: hostedIdleText, More: map[string]any{
		"mb": float64(kb) / 1024, "cpu_percent": 100 * float64(after-before) / ticksPerSecond / wait.Seconds(),
		"links": float64(links), "active": float64(len(m.links)),
	}}, nil
}

func (m *manyPractices) rest(ctx context.Context, wait time.Duration) error {
	select {
	case <-time.After(wait):
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
