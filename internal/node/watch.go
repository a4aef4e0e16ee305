package node

import (
	"context"
	"errors"
	"sync"
	"time"

	"thawtrail/internal/query"
	"thawtrail/internal/store"
)

// What a monitor is to know within a minute. A link that is cut without a word is noticed
// by pings in 40 s (rpc.PingEvery, rpc.PingTimeout), and what is looked at here is at most
// watchEvery old.
const (
	watchEvery = 5 * time.Second
	// LowRoom is where a disk counts as full: a year of a practice fits many times over, and
	// there is time to make room.
	LowRoom = 1 << 30
	// StaleBackup is two nights without one: the first that fails may be seen to by day.
	StaleBackup = 48 * time.Hour
	// answerWithin bounds a question to the index, so that none keeps a full disk from
	// being told.
	answerWithin = 2 * time.Second
)

// Conditions under which this replica is well. Each is a service of the standard health
// ("thawtrail.watch.NAME"); the program as a whole goes on serving.
const (
	watchDisk    = "disk"
	watchLink    = "link"
	watchBackup  = "backup"
	watchRecords = "records"
)

// Questions that may have no answer, as a label of thawtrail_unanswered.
const (
	askDisk   = "disk_free"
	askDoubts = "open_discrepancies"
	askBackup = "last_backup"
)

var questions = []string{askBackup, askDisk, askDoubts}

// seen is what was looked at last. Who reads metrics gets this: reading them often costs
// the replica nothing.
type seen struct {
	free       uint64
	reserve    bool // the room kept free for records is in place
	unreadable int
	missing    uint64
	doubts     map[string]int32
	backup     time.Time // zero: never
	unanswered map[string]bool
	changes    uint64 // when what follows from records was looked at
}

// lookout keeps what was seen and what was said of it.
type lookout struct {
	mu   sync.Mutex // guards the field below
	seen seen

	well map[string]bool // what health was told last; of the loop alone
}

func (l *lookout) last() seen {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.seen
}

// watch looks at what a monitor is to know, and tells health, until ctx ends.
func (n *Node) watch(ctx context.Context) error {
	every := n.watchEvery
	if every == 0 {
		every = watchEvery
	}
	return repeat(ctx, 0, every, func(ctx context.Context) error {
		before := n.lookout.last()
		now := n.look(ctx, before)
		if ctx.Err() != nil {
			return nil
		}
		n.lookout.mu.Lock()
		n.lookout.seen = now
		n.lookout.mu.Unlock()
		n.tellWatched(now)
		n.tellServices()
		return nil
	})
}

// look asks everything. A question without an answer is no failure of the replica: it is
// told as one that was not answered, and the rest is told all the same.
func (n *Node) look(ctx context.Context, before seen) seen {
	now := seen{reserve: !n.Store.ReserveUsed(), unreadable: n.Store.Unreadable(), unanswered: map[string]bool{}, changes: n.Store.Changes()}
	ask := func(question string, err error) {
		if err == nil || ctx.Err() != nil || errors.Is(err, store.ErrClosed) {
			return
		}
		now.unanswered[question] = true
		if !before.unanswered[question] {
			n.Log.Warn("what a monitor is to know could not be asked", "question", question, "error", err)
		}
	}
	var err error
	now.free, err = n.Store.DiskFree()
	ask(askDisk, err)
	if n.Hub {
		last, err := n.LastBackup()
		now.backup = last.Until
		ask(askBackup, err)
	}
	if now.changes == before.changes && before.doubts != nil {
		now.missing, now.doubts = before.missing, before.doubts
		return now
	}
	now.missing = n.Store.Missing()
	if n.Store.Behind() > 0 {
		// Taking records goes first: a question would fold them now. How far the index is
		// behind is told beside what was known before.
		now.doubts, now.changes = before.doubts, before.changes
		return now
	}
	within, cancel := context.WithTimeout(ctx, answerWithin)
	defer cancel()
	now.doubts, err = query.Reader{Replica: n.Replica}.OpenDoubts(within)
	ask(askDoubts, err)
	return now
}

// verdicts say which conditions hold. One that does not concern this replica is not there.
func (n *Node) verdicts(now seen) map[string]bool {
	out := map[string]bool{
		watchDisk:    now.reserve && (now.unanswered[askDisk] || now.free >= LowRoom),
		watchRecords: now.unreadable == 0 && now.missing == 0,
	}
	if n.Hub && !n.Rehearsal() {
		out[watchBackup] = !now.backup.IsZero() && n.Clock.Now().Sub(now.backup) <= StaleBackup
	}
	if !n.Hub && n.Link.Server() != "" {
		out[watchLink] = n.Link.Up()
	}
	return out
}

// tellWatched tells health, and the log when something changed.
func (n *Node) tellWatched(now seen) {
	verdicts := n.verdicts(now)
	for _, name := range []string{watchBackup, watchDisk, watchLink, watchRecords} {
		well, ok := verdicts[name]
		if !ok {
			continue
		}
		n.tell("thawtrail.watch."+name, well)
		if was, told := n.lookout.well[name]; !told && !well || told && was != well {
			n.Log.Info("what is watched has changed", "watched", name, "well", well)
		}
		n.lookout.well[name] = well
	}
}
