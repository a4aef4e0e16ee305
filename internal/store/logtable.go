package store

import (
	"slices"
	"sync"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
)

// logTable is what is known of every log, in memory, as it was committed.
type logTable struct {
	mu sync.RWMutex // guards the fields below; held only to look or to publish

	logs    map[event.LogID]*LogInfo // bounded by the practice's devices
	suspect map[event.LogID]bool     // may have records that cannot be read
	stamps  map[event.LogID]uint64   // count what can change the gaps of a log
	scans   map[event.LogID]scan     // of suspect logs, as they were read last
	bare    map[event.LogID]vouching // what no signature vouches for; each value stays as it is
	plain   map[event.LogID]bool     // have gaps that could not be refilled one by one
	moves   moves                    // which moved lately
}

func newLogTable() logTable {
	return logTable{
		logs: map[event.LogID]*LogInfo{}, suspect: map[event.LogID]bool{}, stamps: map[event.LogID]uint64{},
		scans: map[event.LogID]scan{}, bare: map[event.LogID]vouching{}, plain: map[event.LogID]bool{},
	}
}

// scan is what a reading of a log found, and when in the log's life that was.
type scan struct {
	stamp uint64
	gaps  *gaps
}

// publish takes over logs that a commit moved.
func (t *logTable) publish(moved map[event.LogID]*LogInfo) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for _, id := range event.SortedLogs(moved) {
		t.logs[id] = moved[id]
		t.stamps[id]++
		t.moves.add(id)
	}
}

// restore takes over a log from the index.
func (t *logTable) restore(l *LogInfo, suspect bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.logs[l.ID], t.suspect[l.ID] = l, suspect
}

// list is what is known of every log, by log id.
func (t *logTable) list() []LogInfo {
	t.mu.RLock()
	defer t.mu.RUnlock()
	out := make([]LogInfo, 0, len(t.logs))
	for _, id := range event.SortedLogs(t.logs) {
		out = append(out, *t.logs[id].Clone())
	}
	return out
}

// Log is what is known of one log.
func (t *logTable) Log(id event.LogID) (LogInfo, bool) {
	t.mu.RLock()
	defer t.mu.RUnlock()
	l, ok := t.logs[id]
	if !ok {
		return LogInfo{}, false
	}
	return *l.Clone(), true
}

// IsEnd says that a record is an end of a log where no damage is known.
func (t *logTable) IsEnd(log event.LogID, at exchange.Tip) bool {
	t.mu.RLock()
	defer t.mu.RUnlock()
	l, ok := t.logs[log]
	return ok && !t.suspect[log] && (l.Tip == at || slices.Contains(l.Branches, at))
}

// IsWhole says that no damage is known of a log.
func (t *logTable) IsWhole(log event.LogID) bool {
	t.mu.RLock()
	defer t.mu.RUnlock()
	return !t.suspect[log]
}

// stamp counts the changes of what is held of a log.
func (t *logTable) stamp(id event.LogID) uint64 {
	t.mu.RLock()
	defer t.mu.RUnlock()
	return t.stamps[id]
}

// records counts the records of all logs, of a forked one those that lead to its head.
func (t *logTable) records() (n int64) {
	t.mu.RLock()
	defer t.mu.RUnlock()
	for _, l := range t.logs {
		n += int64(l.Newest()) + 1
	}
	return n
}

// each hands on every log, in no order. fn must not keep it, and asks the table nothing.
func (t *logTable) each(fn func(*LogInfo)) {
	t.mu.RLock()
	defer t.mu.RUnlock()
	for _, l := range t.logs {
		fn(l)
	}
}

// suspectAll notes damage that may have met any log.
func (t *logTable) suspectAll() {
	t.mu.Lock()
	defer t.mu.Unlock()
	for id := range t.logs {
		t.suspect[id] = true
		t.stamps[id]++
	}
}

// suspected is a log that may have records that cannot be read, its stamp, and the
// gaps that were found if nothing has changed since.
func (t *logTable) suspected(id event.LogID) (l LogInfo, stamp uint64, known *gaps, ok bool) {
	t.mu.RLock()
	defer t.mu.RUnlock()
	info, ok := t.logs[id]
	if !ok || !t.suspect[id] {
		return LogInfo{}, 0, nil, false
	}
	if s := t.scans[id]; s.gaps != nil && s.stamp == t.stamps[id] {
		known = s.gaps
	}
	return *info.Clone(), t.stamps[id], known, true
}

// scanned notes what a reading of a log found that began at a stamp; nil: all of
// it was read.
func (t *logTable) scanned(id event.LogID, stamp uint64, found *gaps) {
	t.mu.Lock()
	defer t.mu.Unlock()
	switch {
	case stamp != t.stamps[id]: // it is out of date already
	case found != nil:
		t.scans[id] = scan{stamp, found}
	default:
		delete(t.suspect, id)
		delete(t.plain, id)
		delete(t.scans, id)
	}
}

// setBare notes what was bare of a log when it was looked through.
func (t *logTable) setBare(id event.LogID, bare vouching) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.bare[id] = bare; len(bare) == 0 {
		delete(t.bare, id)
	}
}

// bareIn is what was bare of a log when it was last looked through.
func (t *logTable) bareIn(id event.LogID) vouching {
	t.mu.RLock()
	defer t.mu.RUnlock()
	return t.bare[id]
}

// tellPlainly notes that the gaps of a log could not be refilled one by one.
func (t *logTable) tellPlainly(id event.LogID) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.plain[id] = true
}

func (t *logTable) toldPlainly(id event.LogID) bool {
	t.mu.RLock()
	defer t.mu.RUnlock()
	return t.plain[id]
}

// moves remembers which logs moved lately, so that a thousand open streams need
// not look at every log at every record.
type moves struct {
	logs []event.LogID // newest last, at most maxMoves
	upto uint64        // counts every move since the replica was opened
}

const maxMoves = 4096

func (m *moves) add(log event.LogID) {
	if len(m.logs) == maxMoves {
		m.logs = append(m.logs[:0], m.logs[maxMoves/2:]...)
	}
	m.logs = append(m.logs, log)
	m.upto++
}

// since lists the logs that moved after a count, each once, and the count to go on
// from. all says that too many moved to list them.
func (m *moves) since(after uint64) (logs []event.LogID, upto uint64, all bool) {
	n := m.upto - min(after, m.upto)
	if n > uint64(len(m.logs)) {
		return nil, m.upto, true
	}
	seen := map[event.LogID]bool{}
	for _, id := range m.logs[uint64(len(m.logs))-n:] {
		if !seen[id] {
			seen[id] = true
			logs = append(logs, id)
		}
	}
	return logs, m.upto, false
}

// movedSince is since, for the table's moves.
func (t *logTable) movedSince(after uint64) (logs []event.LogID, upto uint64, all bool) {
	t.mu.RLock()
	defer t.mu.RUnlock()
	return t.moves.since(after)
}
