package store

import (
	"bytes"
	"cmp"
	"context"
	"crypto/ed25519"
	"fmt"
	"slices"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/ledger"
	pb "thawtrail/proto/thawtrail/v1"
)

// The charter is what a replica stands on: the few records that founded the practice,
// let devices and people in and shut them out, and the openings of the logs in which
// they lie. Each is a run that stands alone (exchange.Vouched). The caller keeps it in
// a second place and hands it over when the replica is opened.
//
// What is read from there is verified like anything from outside. It fills places
// of a log at which nothing can be read, and never takes the place of a record that
// can.

// maxCharter bounds a charter, in bytes: it travels in one message.
const maxCharter = 3 << 20

// Charter gives what this replica stands on, openings first. Records that do not
// count are not among it: nobody fills it who has no rights.
func (s *Store) Charter(ctx context.Context) (runs []*pb.Run, err error) {
	var recs []*event.Record
	err = s.View(ctx, func(v *Snapshot) error {
		rights, err := v.Rights()
		if err != nil {
			return err
		}
		recs, err = whatCounts(v, rights)
		return err
	})
	if err != nil {
		return nil, err
	}
	size := 0
	for _, r := range recs {
		run, err := s.alone(ctx, r)
		if err != nil {
			return nil, err
		}
		if run == nil {
			continue // no signature leads to it yet
		}
		for _, wire := range run.Records {
			size += len(wire)
		}
		if size > maxCharter {
			return nil, fmt.Errorf("what the practice stands on is over %d bytes", maxCharter)
		}
		runs = append(runs, run)
	}
	return runs, nil
}

// whatCounts lists the records that make rights and count, after the openings of
// their logs.
func whatCounts(v *Snapshot, rights *ledger.Rights) (out []*event.Record, err error) {
	opened, needed := map[event.LogID]*event.Record{}, map[event.LogID]bool{}
	err = v.Records(event.RightsKey, func(r *event.Record) error {
		switch {
		case r.Seq() == 0:
			opened[r.Log] = r
		case r.Rights() && ledger.Clean(rights.Standing(r)):
			needed[r.Log] = true
			out = append(out, r)
		}
		return nil
	})
	slices.SortFunc(out, func(a, b *event.Record) int {
		return cmp.Or(a.Log.Compare(b.Log), cmp.Compare(a.Seq(), b.Seq()), a.Hash.Compare(b.Hash))
	})
	var openings []*event.Record
	for _, id := range event.SortedLogs(needed) {
		if o, ok := opened[id]; ok {
			openings = append(openings, o)
		}
	}
	return append(openings, out...), err
}

// alone is a record with what leads from it to a signature; nil when there is none.
func (s *Store) alone(ctx context.Context, r *event.Record) (*pb.Run, error) {
	run := &pb.Run{Log: r.Log[:], From: r.Seq(), Records: [][]byte{r.Wire()}}
	if r.Signed() {
		return run, nil
	}
	recs, err := s.readRecords(ctx, r.Log, r.Seq()+1, exchange.StoneBytes, s.gapsOf(r.Log))
	if err != nil {
		return nil, err
	}
	last := r.Hash
	for _, next := range recs {
		if !bytes.Equal(next.Head.Prev, last[:]) {
			continue // on another branch
		}
		last = next.Hash
		if run.Records = append(run.Records, next.Wire()); next.Signed() {
			return run, nil
		}
	}
	return nil, nil
}

// BringBack takes runs that stand alone into places at which nothing can be read,
// and counts the records that it took. The key of a log is that of its opening, which
// is held or among the runs. What does not verify, or would stand beside a record that
// is held, is left out and named.
func (s *Store) BringBack(runs []*pb.Run) (taken int, err error) {
	var found []*event.Record
	for _, run := range runs {
		recs, err := exchange.Vouched(run, s.KeyOf(run, runs))
		if err != nil {
			s.report.add(fmt.Sprintf("a record of those that the practice stands on does not verify and is left out: %v", err))
			continue
		}
		found = append(found, recs...)
	}
	slices.SortStableFunc(found, func(a, b *event.Record) int { return cmp.Compare(a.Seq(), b.Seq()) })
	s.writer.mu.Lock()
	defer s.writer.mu.Unlock()
	p := s.begin()
	for _, r := range found {
		if err := p.bringBack(r); err != nil {
			return 0, fmt.Errorf("bring back what the practice stands on: %w", err)
		}
	}
	if taken = len(p.recs); taken == 0 {
		return 0, nil
	}
	if err := p.commit(); err != nil {
		return 0, fmt.Errorf("bring back what the practice stands on: %w", err)
	}
	s.logs.suspectAll() // what lies between was not brought
	return taken, nil
}

// KeyOf is the key of the log of a run: of its opening, which is held or among the
// runs; nil when it is not.
func (s *Store) KeyOf(run *pb.Run, runs []*pb.Run) ed25519.PublicKey {
	if id, ok := event.ToHash(run.GetLog()); ok {
		if l, held := s.Log(id); held && len(l.Key) > 0 {
			return l.Key
		}
	}
	for _, o := range runs {
		if bytes.Equal(o.GetLog(), run.GetLog()) {
			if key := exchange.OpeningKey(o); key != nil {
				return key
			}
		}
	}
	return nil
}

// bringBack takes a verified record where none can be read.
func (p *pendingCommit) bringBack(r *event.Record) error {
	held, err := p.at(r.Log, r.Seq())
	switch {
	case err != nil:
		return err
	case slices.ContainsFunc(held, func(h exchange.Point) bool { return h.Hash == r.Hash }):
	case len(held) > 0:
		p.s.report.add(fmt.Sprintf("another record stands at seq %d of log %s than in the second place; the one in the journal counts", r.Seq(), r.Log.Short()))
	default:
		return p.accept(r)
	}
	return nil
}

// BringBackCharter does so with the charter of the second place, and tells of it.
func (s *Store) BringBackCharter(runs []*pb.Run) (taken int, err error) {
	if taken, err = s.BringBack(runs); taken > 0 {
		s.report.add(fmt.Sprintf("%d records of the founding and the members, which the journal had lost, were brought back from their second place", taken))
	}
	return taken, err
}

// bringBackCharter does so at the start, before anybody else is there, and says whether
// it held what this disk had lost.
func (s *Store) bringBackCharter(ctx context.Context) (lost bool, err error) {
	n, err := s.BringBackCharter(s.opt.Charter)
	if n == 0 || err != nil {
		return false, err
	}
	if err := s.CatchUp(ctx); err != nil {
		return true, err
	}
	s.adoptOwn()
	return true, nil
}

// Lacks says what cannot be read of the logs of some devices.
func (s *Store) Lacks(of func(device []byte) bool) (out []exchange.HeldLog) {
	for _, l := range s.Logs() {
		if !of(l.Device()) {
			continue
		}
		if g := s.gapsOf(l.ID); g != nil && (len(g.missing) > 0 || len(g.lost) > 0) {
			out = append(out, s.heldWith(&l, g))
		}
	}
	return out
}

// EndsUnknown says that a log may have gone further than anything here tells: the end of
// the journal was gone when the replica was opened, or something in it cannot be read and
// the index had to be made anew from what can.
func (s *Store) EndsUnknown() bool { return s.lostEnd || s.report.any() && !s.projection.Kept() }

// Damaged says that something in the journal cannot be read, as far as it was read.
func (s *Store) Damaged() bool { return s.report.any() }
