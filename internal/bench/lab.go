package bench

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"thawtrail/internal/bench/nights"
	"thawtrail/internal/clock"
	"thawtrail/internal/event"
	"thawtrail/internal/store"
)

// lab keeps what measures share: filled replicas, made once and copied for each
// use, and the records of the nights as bytes.
type lab struct {
	cfg     Config
	dir     string
	next    int
	begun   *practice
	laptops map[int64]*filled
	hubs    map[int64]*filled
	wires   map[int64][][]byte
}

// filled is the folder of a replica that was filled and closed.
type filled struct {
	dir     string
	records int64
	known   nights.Known
}

func newLab(cfg Config, dir string) *lab {
	return &lab{cfg: cfg, dir: dir, laptops: map[int64]*filled{}, hubs: map[int64]*filled{}, wires: map[int64][][]byte{}}
}

// size is n, or a tenth of it in a quick run.
func (l *lab) size(n int64) int64 {
	if l.cfg.Quick {
		return max(1, n/10)
	}
	return n
}

// folder is a new empty folder.
func (l *lab) folder(name string) (string, error) {
	l.next++
	dir := filepath.Join(l.dir, fmt.Sprintf("%03d-%s", l.next, name))
	return dir, os.Mkdir(dir, 0o700)
}

// copied is a copy of a filled replica, to be used up.
func (l *lab) copied(f *filled) (string, error) {
	l.next++
	dir := filepath.Join(l.dir, fmt.Sprintf("%03d-copy", l.next))
	return dir, os.CopyFS(dir, os.DirFS(f.dir))
}

// practice is a practice at its beginning: its server, and two laptops that have
// joined and hold what the server holds. All are stopped.
type practice struct{ hub, laptop, second *filled }

// practice makes it once. Its clocks stand before the first night.
func (l *lab) practice(ctx context.Context) (*practice, error) {
	if l.begun != nil {
		return l.begun, nil
	}
	var dirs [3]string
	for i, name := range []string{"practice", "member", "second"} {
		dir, err := l.folder(name)
		if err != nil {
			return nil, err
		}
		dirs[i] = dir
	}
	hub := dirs[0]
	c := clock.NewManual(nights.First.Add(-time.Hour))
	if err := begin(ctx, hub, c); err != nil {
		return nil, err
	}
	for _, laptop := range dirs[1:] {
		if err := join(ctx, hub, laptop, c); err != nil {
			return nil, err
		}
	}
	for _, laptop := range dirs[1:] {
		if err := meet(ctx, hub, laptop, c); err != nil {
			return nil, err
		}
	}
	l.begun = &practice{&filled{dir: hub}, &filled{dir: dirs[1]}, &filled{dir: dirs[2]}}
	return l.begun, nil
}

// meet runs a server and a laptop until the laptop holds what the server holds.
func meet(ctx context.Context, hub, laptop string, c clock.Clock) (err error) {
	srv, err := startServer(ctx, hub, c)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, srv.stop()) }()
	lap, err := startAgent(ctx, laptop, srv.addr, c)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, lap.stop()) }()
	return until(ctx, func() (bool, error) {
		here, err := srv.status(ctx)
		if err != nil {
			return false, err
		}
		there, err := lap.status(ctx)
		return here.Records == there.GetRecords() && there.GetHeldOnServer() > 0, err
	})
}

// laptop is a laptop of the practice that wrote n records of nights without a
// link, folded and closed cleanly.
func (l *lab) laptop(ctx context.Context, n int64) (*filled, error) {
	if f := l.laptops[n]; f != nil {
		return f, nil
	}
	p, err := l.practice(ctx)
	if err != nil {
		return nil, err
	}
	dir, err := l.copied(p.laptop)
	if err != nil {
		return nil, err
	}
	f := &filled{dir: dir}
	c := nights.NewClock(nights.First)
	err = fill(ctx, f.dir, c, func(s *store.Store) error {
		known, err := nights.Write(ctx, s, c, n)
		f.records, f.known = s.Records(), known
		return err
	})
	l.laptops[n] = f
	return f, err
}

// fill opens a replica, lets fn write, folds all and closes it.
func fill(ctx context.Context, dir string, c clock.Clock, fn func(*store.Store) error) error {
	s, err := openStore(ctx, dir, store.Options{Clock: c})
	if err != nil {
		return err
	}
	if err = fn(s); err == nil {
		err = s.CatchUp(ctx)
	}
	return errors.Join(err, s.Close())
}

// hub is a server that holds what a laptop of n records wrote.
func (l *lab) hub(ctx context.Context, n int64) (*filled, error) {
	if f := l.hubs[n]; f != nil {
		return f, nil
	}
	from, err := l.laptop(ctx, n)
	if err != nil {
		return nil, err
	}
	f, err := l.hubUpTo(ctx, from, n)
	l.hubs[n] = f
	return f, err
}

// hubUpTo is a server that holds the first n records, or a few more, of a laptop.
func (l *lab) hubUpTo(ctx context.Context, from *filled, n int64) (*filled, error) {
	p, err := l.practice(ctx)
	if err != nil {
		return nil, err
	}
	dir, err := l.copied(p.hub)
	if err != nil {
		return nil, err
	}
	f := &filled{dir: dir, known: from.known}
	err = fill(ctx, dir, clock.System{}, func(s *store.Store) error {
		err := l.carry(ctx, from, s, n)
		f.records = s.Records()
		return err
	})
	return f, err
}

// carry hands n records of a laptop to another store, run by run.
func (l *lab) carry(ctx context.Context, from *filled, to *store.Store, n int64) error {
	return eachRun(ctx, l, from, func(r run) error {
		if to.Records() >= n {
			return nil
		}
		results, err := to.Ingest(ctx, r.pb())
		if err == nil && results[0].Refused != nil {
			err = results[0].Refused
		}
		return err
	})
}

// wire gives the records that a laptop of n records wrote, as bytes.
func (l *lab) wire(ctx context.Context, n int64) ([][]byte, error) {
	if w := l.wires[n]; w != nil {
		return w, nil
	}
	from, err := l.laptop(ctx, n)
	if err != nil {
		return nil, err
	}
	var out [][]byte
	err = eachRun(ctx, l, from, func(r run) error {
		out = append(out, r.records...)
		return nil
	})
	l.wires[n] = out
	return out, err
}

// journalBytes is the size of a replica's journal.
func journalBytes(dir string) (n int64, err error) {
	err = filepath.WalkDir(filepath.Join(dir, "journal"), func(_ string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || filepath.Ext(d.Name()) != ".journal" {
			return err
		}
		info, err := d.Info()
		n += info.Size()
		return err
	})
	return n, err
}

// run is some records of one log.
type run struct {
	log     event.LogID
	from    uint64
	records [][]byte
}
