package store

import (
	"fmt"

	"thawtrail/internal/event"
	"thawtrail/internal/store/journal"
	"thawtrail/internal/store/projection"
	"thawtrail/internal/store/reach"
)

// The journal's end is witnessed twice: by the cursor in the index, and by a small
// file beside the journal that outlives the index (package reach).

// openReach opens that file and says again what nobody has read yet. A replica in
// memory has none. It is a witness: without it the replica works as well.
func (s *Store) openReach() {
	if _, onDisk := s.opt.FS.(journal.OSFS); !onDisk {
		return
	}
	var err error
	if s.reach, s.reached, err = reach.Open(s.opt.Dir); err != nil {
		s.report.add(fmt.Sprintf("how far the journal reached cannot be read or written down: %v", err))
	}
	told, err := reach.Unread(s.opt.Dir)
	if err != nil {
		s.report.add(err.Error())
	}
	for _, n := range told {
		s.report.add(n.Text)
	}
}

// witness is what that file says, for whoever reads the journal again.
func (s *Store) witness() (w projection.Witness) {
	if m := s.reached; !m.End.IsZero() {
		w = projection.Witness{End: m.End, Last: m.Last, Fits: func(h event.Hash) bool { return m.Fits(h[:]) }}
	}
	return w
}

// tellEnd tells of an end that is lost, or words one that is unreadable where
// nothing is lost that is known.
func (s *Store) tellEnd(lost journal.Position) {
	switch {
	case !lost.IsZero():
		s.tellLost(lost)
	case s.torn > 0:
		s.report.add(fmt.Sprintf(tornEnd, s.torn))
	}
}

// tellLost says that saved records are gone, now and until a person has read it.
func (s *Store) tellLost(far journal.Position) {
	text := fmt.Sprintf("the journal ends at %s; it had reached %s, and what was saved last is not there any more: records that were saved are gone from this disk; they are fetched again from whoever holds them", s.truth.End(), far)
	s.report.add(text)
	if s.reach == nil {
		return
	}
	if err := reach.Tell(s.opt.Dir, reach.Notice{FoundUs: s.opt.Clock.Now().UnixMicro(), Text: text}); err != nil {
		s.opt.Logger.Warn("this notice cannot be kept for the next start", "error", err)
	}
}

// beginReach writes the end down in a folder whose file is new.
func (s *Store) beginReach() {
	last, hash := s.projection.Last()
	if s.reach != nil && s.reached.End.IsZero() && !hash.IsZero() {
		s.putReach(last, hash)
	}
}

// tornEnd does not say that nobody was told: damage of the newest record looks the
// same as a write that was never finished.
const tornEnd = "%d bytes at the end of the journal cannot be read: a write that was not finished when the machine stopped, of which nobody was told, or damage of the newest records"

// putReach writes the journal's end down, after a commit and before anybody is
// told of it.
func (s *Store) putReach(last journal.Position, hash event.Hash) {
	m := reach.Mark{End: s.truth.End(), Last: last}
	copy(m.Hash[:], hash[:])
	if err := s.reach.Put(m); err != nil {
		s.opt.Logger.Warn("how far the journal reaches could not be written down", "error", err)
	}
}
