package projection

import (
	"cmp"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal"
)

// Place is where one record of a log lies.
type Place struct {
	Seq uint64
	Pos journal.Position
}

// Places lists where the records of a log lie from one seq on, n places of the
// log, in order of seq and hash. Those that wait for the index come from memory.
func (p *Projection) Places(log event.LogID, from, n uint64) ([]Place, error) {
	end := from + min(n, math.MaxUint64-from)
	out := p.backlog.places(log, from, end)
	// Extents overlap where a log is forked or was refilled, so those that begin
	// up to one whole extent earlier can hold what is wanted.
	first := extentKey(log, from-min(from, maxExtent-1), journal.Position{})
	err := p.index.View(func(r index.Reader) error {
		return r.Scan(extentPrefix(log), first, false, func(k, v []byte) (bool, error) {
			x, _, ok := decodeExtent(k, v)
			for i := 0; ok && i < len(x.offsets); i++ {
				if seq := x.seq + uint64(i); from <= seq && seq < end {
					out = append(out, Place{seq, x.at(i)})
				}
			}
			return x.seq < end, nil
		})
	})
	if err != nil {
		return nil, err
	}
	return p.ordered(out), nil
}

// ordered sorts places by seq and drops repeats. Where a seq has several places,
// the records are put in the order of their hashes and copies are dropped.
func (p *Projection) ordered(ps []Place) []Place {
	slices.SortStableFunc(ps, func(a, b Place) int { return cmp.Or(cmp.Compare(a.Seq, b.Seq), a.Pos.Compare(b.Pos)) })
	ps = slices.Compact(ps)
	out := ps[:0]
	for i := 0; i < len(ps); {
		j := i + 1
		for j < len(ps) && ps[j].Seq == ps[i].Seq {
			j++
		}
		if j == i+1 {
			out = append(out, ps[i])
		} else {
			out = append(out, p.distinct(ps[i:j])...)
		}
		i = j
	}
	return out
}

// distinct keeps one readable place for each record, ordered by hash: where copies
// differ, one with a signature.
func (p *Projection) distinct(ps []Place) []Place {
	type held struct {
		Place
		hash   event.Hash
		signed bool
	}
	var list []held
	for _, at := range ps {
		if r, err := p.RecordAt(at.Pos); err == nil {
			list = append(list, held{at, r.Hash, r.Signed()})
		}
	}
	slices.SortStableFunc(list, func(a, b held) int {
		if c := a.hash.Compare(b.hash); c != 0 || a.signed == b.signed {
			return c
		}
		if a.signed {
			return -1
		}
		return 1
	})
	list = slices.CompactFunc(list, func(a, b held) bool { return a.hash == b.hash })
	out := make([]Place, len(list))
	for i, l := range list {
		out[i] = l.Place
	}
	return out
}

// Holds says without looking at the disk that a record was saved a moment ago. A
// no tells nothing.
func (p *Projection) Holds(log event.LogID, at exchange.Tip) bool { return p.backlog.holds(log, at) }

// RecordsAt reads the records of a log at one seq. What is damaged is left out: it
// counts as missing. ErrUnread: it cannot be told just now what stands there.
func (p *Projection) RecordsAt(log event.LogID, seq uint64) (out []*event.Record, err error) {
	spots := p.backlog.at(log, seq)
	err = p.index.View(func(r index.Reader) error {
		found, err := positionsAt(r, log, seq)
		for _, f := range found {
			spots = append(spots, f.pos)
		}
		return err
	})
	if err != nil {
		return nil, unreadAt(log, seq, err)
	}
	for _, at := range spots {
		r, err := p.RecordAt(at)
		if errors.Is(err, errDisk) {
			return nil, unreadAt(log, seq, err)
		}
		if err == nil && !slices.ContainsFunc(out, func(o *event.Record) bool { return o.Hash == r.Hash }) {
			out = append(out, r)
		}
	}
	return out, nil
}

func unreadAt(log event.LogID, seq uint64, why error) error {
	return fmt.Errorf("%w: record %d of log %s: %w", ErrUnread, seq+1, log.Short(), why)
}

// First is where a log begins: the lowest position of its opening record; zero
// when the index knows none.
func (p *Projection) First(log event.LogID) (at journal.Position, err error) {
	err = p.index.View(func(r index.Reader) error {
		spots, err := positionsAt(r, log, 0)
		if len(spots) > 0 {
			at = spots[0].pos
		}
		return err
	})
	return at, err
}

// TipPlace is where the record of a tip lies; zero when the index knows none.
func (p *Projection) TipPlace(log event.LogID, tip exchange.Tip) (at journal.Position, err error) {
	err = p.index.View(func(r index.Reader) error {
		spots, err := positionsAt(r, log, tip.Seq)
		for _, s := range spots {
			if s.hash4 == [4]byte(tip.Hash[:4]) {
				at = s.pos
				break
			}
		}
		return err
	})
	return at, err
}

// RecordAt reads and decodes the record at a position, and notes damage.
func (p *Projection) RecordAt(at journal.Position) (*event.Record, error) {
	frame, _, err := p.journal.ReadAt(at, nil)
	switch {
	case errors.Is(err, journal.ErrDamaged):
		p.opt.Damaged(at, at, err.Error())
		return nil, err
	case err != nil && !errors.Is(err, journal.ErrNotFound):
		return nil, fmt.Errorf("%w: %w", errDisk, err)
	case err != nil:
		return nil, err
	}
	return event.Decode(frame)
}

// errDisk: the disk could not be read just now, which says nothing about what lies
// there.
var errDisk = errors.New("the disk could not be read")

// FindRecord finds a record by the first hex digits of its hash, at least eight.
// It scans where records lie; ambiguity and absence are ErrNotFound, and ErrUnread
// when such a record is here and its bytes cannot be read.
func (p *Projection) FindRecord(prefix string) (*event.Record, error) {
	if len(prefix) < 8 || len(prefix) > 64 {
		return nil, ErrNotFound
	}
	want, err := hex.DecodeString(prefix[:8])
	if err != nil {
		return nil, ErrNotFound
	}
	spots, err := p.spotsOf([4]byte(want))
	if err != nil {
		return nil, err
	}
	again, err := p.againSpots(want)
	if err != nil {
		return nil, err
	}
	spots = append(spots, again...)
	var found *event.Record
	var unread error
	for _, at := range spots {
		r, err := p.RecordAt(at)
		if err != nil {
			unread = fmt.Errorf("%w: %w", ErrUnread, err)
			continue
		}
		if o := r.Original(); strings.HasPrefix(o.Hash.String(), prefix) {
			r = o
		}
		if r.Hash.String()[:len(prefix)] != prefix || (found != nil && found.Hash == r.Hash) {
			continue
		}
		if found != nil {
			return nil, ErrNotFound
		}
		found = r
	}
	switch {
	case found != nil:
		return found, nil
	case unread != nil:
		return nil, unread
	}
	return nil, ErrNotFound
}

func (p *Projection) spotsOf(hash4 [4]byte) ([]journal.Position, error) {
	var out []journal.Position
	err := p.index.View(func(r index.Reader) error {
		return r.Scan([]byte("p/"), nil, false, func(k, v []byte) (bool, error) {
			x, _, ok := decodeExtent(k, v)
			for i := 0; ok && i < len(x.hashes); i++ {
				if x.hashes[i] == hash4 {
					out = append(out, x.at(i))
				}
			}
			return len(out) < maxFound, nil
		})
	})
	return out, err
}

// maxFound bounds the records whose hashes begin alike that are looked at.
const maxFound = 64

// againSpots is where records lie that carry one whose hash begins so.
func (p *Projection) againSpots(start []byte) (out []journal.Position, err error) {
	err = p.index.View(func(r index.Reader) error {
		return r.Scan(row('a', start), nil, false, func(_, v []byte) (bool, error) {
			out = appendPositions(out, v)
			return len(out) < maxFound, nil
		})
	})
	return out, err
}

// Carrier finds the record that carries the one with this hash; nil when it was not
// saved again, or the index does not know of it yet.
func (p *Projection) Carrier(h event.Hash) (*event.Record, error) {
	at, err := p.againSpots(h[:])
	if err != nil || len(at) == 0 {
		return nil, err
	}
	r, err := p.RecordAt(at[0])
	if errors.Is(err, journal.ErrDamaged) {
		return nil, nil
	}
	return r, err
}
