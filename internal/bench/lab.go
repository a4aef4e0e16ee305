package bench

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"

	"thawtrail/internal/event"
	"thawtrail/internal/store"
)

// lab keeps what measures share: filled replicas, made once and copied for each
// use, and the records of the nights as bytes.
type lab struct {
	cfg     Config
	dir     string
	next    int
	laptops map[int64]*filled
	hubs    map[int64]*filled
	wires   map[int64][][]byte
}

// filled is the folder of a replica that was filled and closed.
type filled struct {
	dir     string
	records int64
	known   known
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

// laptop is a laptop that wrote n records of nights, folded and closed cleanly.
func (l *lab) laptop(ctx context.Context, n int64) (*filled, error) {
	if f := l.laptops[n]; f != nil {
		return f, nil
	}
	dir, err := l.folder("laptop")
	if err != nil {
		return nil, err
	}
	f := &filled{dir: dir}
	err = l.fill(ctx, dir, &tickClock{now: firstNight}, func(s *store.Store, src *rand.ChaCha8, c *tickClock) error {
		g := &nights{rng: rand.New(src), src: src, clock: c, store: s}
		err := g.write(ctx, n)
		f.records, f.known = s.Records(), g.known()
		return err
	})
	l.laptops[n] = f
	return f, err
}

// fill opens a replica as server and agent do, lets fn write, and closes it.
func (l *lab) fill(ctx context.Context, dir string, c *tickClock, fn func(*store.Store, *rand.ChaCha8, *tickClock) error) error {
	s, err := openStore(ctx, dir, store.Options{Clock: c})
	if err != nil {
		return err
	}
	err = fn(s, rand.NewChaCha8(seed), c)
	if err == nil {
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
	dir, err := l.folder("hub")
	if err != nil {
		return nil, err
	}
	f := &filled{dir: dir, known: from.known}
	laptop, err := l.copied(from)
	if err == nil {
		err = errors.Join(begin(ctx, dir), join(ctx, dir, laptop))
	}
	if err != nil {
		return nil, err
	}
	err = l.fill(ctx, dir, &tickClock{now: firstNight}, func(s *store.Store, _ *rand.ChaCha8, _ *tickClock) error {
		err := l.carry(ctx, from, s)
		f.records = s.Records()
		return err
	})
	l.hubs[n] = f
	return f, err
}

// carry hands the records of a laptop to another store, run by run.
func (l *lab) carry(ctx context.Context, from *filled, to *store.Store) error {
	return eachRun(ctx, l, from, func(r run) error {
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
