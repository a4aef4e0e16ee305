package projection

import (
	"encoding/binary"
	"slices"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/store/journal"
	pb "thawtrail/proto/thawtrail/v1"
)

// Records attest to records of other logs: they name the tips that their device
// had seen, and what the server's statements list. Where an attestation fits
// nothing that is held at its place, two replicas were told two stories. It and
// what stands at the place are then folded into the log's entity, which claims it.
//
// Either may come first. An attestation to a place of which nothing is held waits
// in a row until something is:
//
//	w/ log seq position      the hash that the record at the position names

// Attestations lists the records of other logs that a record names, and that the one
// names which it carries.
func Attestations(r *event.Record) []exchange.LogTip {
	if o := r.Original(); o != r {
		return append(attestations(r), attestations(o)...)
	}
	return attestations(r)
}

func attestations(r *event.Record) []exchange.LogTip {
	out := make([]exchange.LogTip, 0, len(r.Head.Seen))
	add := func(m *pb.Tip) {
		if t, err := exchange.TipFromPB(m); err == nil && t.Log != r.Log {
			out = append(out, t)
		}
	}
	for _, m := range r.Head.Seen {
		add(m)
	}
	if r.Head.Type == event.TypeHubStatement {
		if m, err := r.Payload(); err == nil {
			for _, accepted := range m.(*pb.HubStatement).Accepted {
				add(accepted.GetTip())
			}
		}
	}
	return out
}

// touching notes that a record touches an entity.
type touching func(event.Key, journal.Position)

// attest holds a record's attestations against what is held.
func (a *application) attest(l located, touch touching) error {
	for _, named := range Attestations(l.rec) {
		if a.p.seen(named.Log, named.Tip) {
			continue
		}
		if err := a.compare(named, l.pos, touch); err != nil {
			return err
		}
	}
	return nil
}

// compare holds one attestation against what is held at its place, or lets it wait.
func (a *application) compare(named exchange.LogTip, by journal.Position, touch touching) error {
	at := slot{named.Log, named.Seq}
	here, err := a.points(at)
	switch {
	case err != nil:
		return err
	case len(here) == 0:
		return a.w.Set(waitKey(at, by), named.Hash[:])
	case slices.ContainsFunc(here, func(p exchange.Point) bool { return p.Hash == named.Hash }):
		return nil
	}
	a.p.opt.Logger.Warn("two stories: another log names a record that is not the one held here",
		"log", named.Log.Short(), "seq", named.Seq, "named", named.Hash.Short(), "held", here[0].Hash.Short())
	spots, err := a.spots(at)
	for _, s := range spots {
		touch(event.LogKey(named.Log), s.pos)
	}
	touch(event.LogKey(named.Log), by)
	return err
}

// waiting is an attestation that waits in a row.
type waiting struct {
	named exchange.LogTip
	by    journal.Position
	key   []byte
}

// settle compares the attestations that waited for records of this batch.
func (a *application) settle(touch touching) error {
	placed := a.stretches()
	for _, log := range event.SortedLogs(placed) {
		waited, err := a.waited(log, placed[log])
		if err != nil {
			return err
		}
		for _, w := range waited {
			if err := a.w.Delete(w.key); err != nil {
				return err
			}
			if err := a.compare(w.named, w.by, touch); err != nil {
				return err
			}
		}
	}
	return nil
}

// stretches says, for each log of this batch, from where to where its records stand.
func (a *application) stretches() map[event.LogID]exchange.SeqRange {
	out := map[event.LogID]exchange.SeqRange{}
	for log, list := range a.placed {
		s := exchange.SeqRange{From: list[0].seq, To: list[0].seq}
		for _, p := range list {
			s.From, s.To = min(s.From, p.seq), max(s.To, p.seq)
		}
		out[log] = s
	}
	return out
}

// waited lists the attestations to records of a log that this batch brought.
func (a *application) waited(log event.LogID, s exchange.SeqRange) (out []waiting, err error) {
	err = a.w.Scan(waitPrefix(log), waitKey(slot{log, s.From}, journal.Position{}), false, func(k, v []byte) (bool, error) {
		named, by, ok := decodeWait(log, k, v)
		if ok && slices.ContainsFunc(a.placed[log], func(p placing) bool { return p.seq == named.Seq }) {
			out = append(out, waiting{named, by, slices.Clone(k)})
		}
		return !ok || named.Seq <= s.To, nil
	})
	return out, err
}

func waitPrefix(log event.LogID) []byte { return row('w', log[:]) }

func waitKey(at slot, by journal.Position) []byte {
	return append(binary.BigEndian.AppendUint64(waitPrefix(at.log), at.seq), by.Encode()...)
}

// decodeWait reads the row of an attestation that waits.
func decodeWait(log event.LogID, key, value []byte) (named exchange.LogTip, by journal.Position, ok bool) {
	rest := key[len(waitPrefix(log)):]
	hash, ok := event.ToHash(value)
	if !ok || len(rest) != 8+positionBytes {
		return named, by, false
	}
	by, err := journal.DecodePosition(rest[8:])
	return exchange.LogTip{Log: log, Tip: exchange.Tip{Seq: binary.BigEndian.Uint64(rest), Hash: hash}}, by, err == nil
}
