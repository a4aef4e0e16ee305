package sim

import (
	"bytes"
	"errors"
	"path/filepath"
	"slices"

	"thawtrail/internal/event"
	"thawtrail/internal/store/journal"
	"thawtrail/internal/store/journal/memfs"
)

// found is what the journal on a disk held after so many changes of the disk. Mostly
// records were added since it was looked at last: then all that was made of the others
// stands, and they are compared byte by byte with what is there now.
type found struct {
	in      *memfs.FS
	changes uint64
	frames  []frame // in their order
	held    held
	seats   map[seat][]*event.Record
	newest  map[event.LogID]uint64
	// agreed is what the store said of logs to which nothing was added since, and what
	// their records bear out.
	agreed map[event.LogID]*asTold
}

// frame is a record in the journal.
type frame struct {
	at  journal.Position
	rec *event.Record
}

// decode decodes a record, once however often its bytes are met in a world.
func (w *world) decode(raw []byte) (*event.Record, error) {
	if r := w.decoded[string(raw)]; r != nil {
		return r, nil
	}
	r, err := event.Decode(bytes.Clone(raw))
	if err == nil {
		w.decoded[string(raw)] = r
	}
	return r, err
}

// read reads the node's journal behind the store's back, once for each change of
// its disk. The set is not to be changed, and is good until the disk changes.
func (n *node) read() held {
	if n.taker != nil { // the records are the same
		return n.taker.read()
	}
	if n.found == nil || n.found.in != n.fs || n.found.changes != n.fs.Changes() {
		n.readAgain()
	}
	return n.found.held
}

func (n *node) readAgain() {
	frames, err := n.frames()
	if err != nil {
		n.w.fail("%s: journal: %v", n.name, err)
	}
	if n.found == nil || !n.found.goesOnIn(frames) {
		n.found = &found{held: held{}, seats: map[seat][]*event.Record{}, newest: map[event.LogID]uint64{}, agreed: map[event.LogID]*asTold{}}
	}
	for _, f := range frames[len(n.found.frames):] {
		n.found.add(f)
	}
	n.found.in, n.found.changes = n.fs, n.fs.Changes()
}

// frames reads every record in the journal.
func (n *node) frames() (out []frame, err error) {
	o := n.options()
	j, _, err := journal.Open(journal.Options{FS: n.fs, Dir: filepath.Join(dir, "journal"), Key: o.Key, ReadOnly: true, Now: n.clock.Now})
	if err != nil {
		return nil, err
	}
	err = j.Scan(journal.Position{}, func(at journal.Position, raw []byte) error {
		rec, err := n.w.decode(raw)
		out = append(out, frame{at, rec})
		return err
	}, func(_, _ journal.Position, _ string) error { return nil })
	return out, errors.Join(err, j.Close())
}

// goesOnIn says that frames begin with all those that were found.
func (f *found) goesOnIn(frames []frame) bool {
	return len(f.frames) <= len(frames) && slices.Equal(f.frames, frames[:len(f.frames)])
}

func (f *found) add(a frame) {
	f.frames = append(f.frames, a)
	r := a.rec
	old := f.held[r.Hash]
	if old == nil || !old.Signed() {
		f.held[r.Hash] = r
	}
	if old == nil {
		at := seat{r.Log, r.Seq()}
		f.seats[at] = append(f.seats[at], r)
		f.newest[r.Log] = max(f.newest[r.Log], r.Seq())
	}
	delete(f.agreed, r.Log)
}
