package exchange

import (
	"time"

	"thawtrail/internal/event"
)

// Protocol versions. A program speaks all from OldestProtocol to Protocol; the
// newer side of a pair speaks the older one's.
const (
	Protocol       = 1
	OldestProtocol = 1
)

// Sizes. A peer that goes past one is refused, never obeyed.
const (
	// MaxBatchBytes is what a sender puts into one message at most.
	MaxBatchBytes = 1 << 20
	// MinBatchBytes is how small a batch gets on a link that keeps failing.
	MinBatchBytes = 16 << 10
	// MaxRunBytes is what a receiver takes as one run: a batch, and one largest
	// record, because a run only ends at a signature.
	MaxRunBytes = MaxBatchBytes + event.MaxRecordBytes
	// StoneBytes is the distance between signatures that a receiver verifies
	// and keeps inside a run, beyond the one at the end.
	StoneBytes = 64 << 10
	// MaxLogs is how many logs one side may name.
	MaxLogs = 8192
	// MaxBranches is how many tips one log may have.
	MaxBranches = 16
	// MaxMissing is how many missing runs of one log are named; more are refilled
	// in later rounds.
	MaxMissing = 64
	// maxName bounds names and versions in beliefs, in bytes.
	maxName = 200
)

// ClockTolerance is how far two clocks may stand apart before it is said.
const ClockTolerance = 5 * time.Minute

// BatchSize is how many bytes the next batch may have: half after a failure,
// double after a success. The zero value is MaxBatchBytes.
type BatchSize struct{ halvings uint8 }

// Bytes is the present size.
func (b BatchSize) Bytes() int { return max(MaxBatchBytes>>b.halvings, MinBatchBytes) }

// Failed halves the size, down to MinBatchBytes.
func (b *BatchSize) Failed() {
	if b.Bytes() > MinBatchBytes {
		b.halvings++
	}
}

// Worked doubles the size, up to MaxBatchBytes.
func (b *BatchSize) Worked() {
	if b.halvings > 0 {
		b.halvings--
	}
}
