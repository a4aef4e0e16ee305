package store

import "thawtrail/internal/event"

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

// MovedSince lists the logs that moved after a count, each once, and the count
// to go on from. all says that too many moved to list them: look at every log.
func (s *Store) MovedSince(after uint64) (logs []event.LogID, upto uint64, all bool) {
	s.mu.RLock()
	defer s.mu.RUnlock()
	n := s.moves.upto - min(after, s.moves.upto)
	if n > uint64(len(s.moves.logs)) {
		return nil, s.moves.upto, true
	}
	seen := map[event.LogID]bool{}
	for _, id := range s.moves.logs[uint64(len(s.moves.logs))-n:] {
		if !seen[id] {
			seen[id] = true
			logs = append(logs, id)
		}
	}
	return logs, s.moves.upto, false
}
