package bench

import (
	"bufio"
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"thawtrail/internal/clock"
	"thawtrail/internal/store"
	"thawtrail/internal/store/index"
	"thawtrail/internal/trust"
)

// startMeasure times from an agent's unlocked replica until it answers, after a
// clean stop, with warm files. All is encrypted.
func startMeasure(name string, n int64) func(context.Context, *lab) ([]Result, error) {
	return func(ctx context.Context, l *lab) ([]Result, error) {
		f, err := l.laptop(ctx, l.size(n))
		if err != nil {
			return nil, err
		}
		dir, err := l.copied(f)
		if err != nil {
			return nil, err
		}
		home, err := trust.Open(dir, secret(), rand.Reader)
		if err != nil {
			return nil, err
		}
		var ours, bare []time.Duration
		for range rounds {
			took, err := answered(ctx, dir, f.known.Case)
			if err != nil {
				return nil, err
			}
			ours = append(ours, took)
			if took, err = openedBare(home.Store(store.Options{})); err != nil {
				return nil, err
			}
			bare = append(bare, took)
		}
		r := inRounds(name, f.records, ours, bare, "opening the bare index, encrypted too, after a clean stop")
		r.More["ms"] = r.Seconds * 1e3
		return []Result{r}, nil
	}
}

// answered starts the agent, with a key file that costs no time to unlock, and
// asks it for a case.
func answered(ctx context.Context, dir, id string) (took time.Duration, err error) {
	watch := stopwatch()
	lap, err := startAgent(ctx, dir, "", clock.System{})
	if err != nil {
		return 0, err
	}
	defer func() { err = errors.Join(err, lap.stop()) }()
	err = lap.answers(ctx, id)
	return watch(), err
}

func openedBare(opt store.Options) (time.Duration, error) {
	watch := stopwatch()
	ix, _, err := index.Open(index.Options{Dir: filepath.Join(opt.Dir, "index"), Key: opt.IndexKey})
	took := watch()
	if err == nil {
		err = ix.Close()
	}
	return took, err
}

// idleFor is how long an agent is left alone before its memory is read.
func idleFor(l *lab) time.Duration {
	switch {
	case l.cfg.Quick:
		return 5 * time.Second
	case l.cfg.Only != "" || l.cfg.Whole:
		return 10 * time.Minute
	}
	return time.Minute
}

// idleMeasure reads the anonymous resident memory of an agent's process that is
// left alone, on encrypted files.
func idleMeasure(name string, n int64) func(context.Context, *lab) ([]Result, error) {
	return func(ctx context.Context, l *lab) ([]Result, error) {
		f, err := l.laptop(ctx, l.size(n))
		if err != nil {
			return nil, err
		}
		dir, err := l.copied(f)
		if err != nil {
			return nil, err
		}
		kb, err := l.idle(ctx, dir, idleFor(l))
		if err != nil {
			return nil, err
		}
		wait := idleFor(l)
		text := fmt.Sprintf("none; anonymous resident memory of a process of its own after %v alone (ten minutes with --only or --whole)", wait)
		return []Result{{Name: name, N: f.records, Seconds: wait.Seconds(), What: text, More: map[string]any{
			"mb": float64(kb) / 1024, "idle_s": wait.Seconds()}}}, nil
	}
}

// idle starts an agent as a process of its own and reads what it holds after a
// while, in KiB.
func (l *lab) idle(ctx context.Context, dir string, wait time.Duration) (kb int64, err error) {
	p, err := l.folderApart(ctx, dir, "agent")
	if err != nil {
		return 0, err
	}
	defer func() { err = errors.Join(err, p.stop()) }()
	select {
	case <-time.After(wait):
	case <-ctx.Done():
		return 0, ctx.Err()
	}
	return anonymous(p.pid)
}

// anonymous reads a process's anonymous resident memory in KiB, on Linux.
func anonymous(pid int) (int64, error) {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		return 0, fmt.Errorf("memory of a process can be read on Linux only: %w", err)
	}
	lines := bufio.NewScanner(bytes.NewReader(text))
	for lines.Scan() {
		if rest, ok := strings.CutPrefix(lines.Text(), "RssAnon:"); ok {
			return strconv.ParseInt(strings.TrimSuffix(strings.TrimSpace(rest), " kB"), 10, 64)
		}
	}
	return 0, errors.New("the system does not tell a process's anonymous memory")
}
