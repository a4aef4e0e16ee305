package exchange

import (
	"bytes"

	"thawtrail/internal/event"
)

// recordOverhead is what one record costs in a message beside its own bytes.
const recordOverhead = 4

// CutRun takes the longest beginning of records that makes a run of at most
// maxBytes, and gives the sequence number to send from next.
//
// records are of one log, in the order (seq, hash), without a gap, and complete
// in their last seq: if two records stand there, both are in the list. The
// signatures on them were verified here; that holds for all that Check accepted
// and all that this device signed.
//
// A run ends at a signature. If none comes within maxBytes the run grows to the
// first one, up to MaxRunBytes. The result is empty when there is none at all;
// the log cannot be sent on until more of it is held.
func CutRun(records []*event.Record, maxBytes int) (run []*event.Record, next uint64) {
	end := cut(len(records), maxBytes, func(i int) Piece {
		return Piece{records[i].Seq(), records[i].Size(), records[i].Signed()}
	})
	if end == 0 {
		return nil, 0
	}
	run = records[:end]
	return run, firstUnvouched(run)
}

// Piece is what cutting needs to know of a record.
type Piece struct {
	Seq    uint64
	Size   int
	Signed bool
}

// CutPlain is CutRun for records of which one stands at each seq, and each follows the
// one before: it says how many make the run.
func CutPlain(pieces []Piece, maxBytes int) int {
	return cut(len(pieces), maxBytes, func(i int) Piece { return pieces[i] })
}

func cut(n, maxBytes int, at func(int) Piece) (end int) {
	size, signed := 0, false
	for i := range n {
		p := at(i)
		if i > 0 && p.Seq > at(i-1).Seq+1 {
			break
		}
		size += p.Size + recordOverhead
		if size > MaxRunBytes || end > 0 && size > maxBytes {
			break
		}
		beside := i > 0 && at(i-1).Seq == p.Seq
		signed = p.Signed || beside && signed
		whole := i+1 == n || at(i+1).Seq != p.Seq
		if whole && signed {
			end = i + 1
		}
	}
	return end
}

// firstUnvouched is the lowest seq of the run that no signature in it vouches
// for, else the seq after it. Only in a forked stretch can a run that ends at a
// signature hold such a record: on the other branch.
func firstUnvouched(run []*event.Record) uint64 {
	next := run[len(run)-1].Seq() + 1
	var later []*event.Record // those at the seq after that are vouched for
	for i := len(run) - 1; i >= 0; {
		seq := run[i].Seq()
		var vouched []*event.Record
		for ; i >= 0 && run[i].Seq() == seq; i-- {
			if run[i].Signed() || leads(run[i], later) {
				vouched = append(vouched, run[i])
			} else {
				next = seq
			}
		}
		later = vouched
	}
	return next
}

// leads says that one of the later records follows rec.
func leads(rec *event.Record, later []*event.Record) bool {
	for _, l := range later {
		if bytes.Equal(l.Head.Prev, rec.Hash[:]) {
			return true
		}
	}
	return false
}
