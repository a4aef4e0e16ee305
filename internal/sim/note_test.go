package sim

import (
	"math/rand/v2"
	"slices"

	"thawtrail/internal/event"
	pb "thawtrail/proto/thawtrail/v1"
)

const noteType = event.Type(8)

// note is a private note about a place under the place's key, which this machine may
// have to draw; nil when the disk does not take the key.
func (n *node) note(r *rand.Rand) *pb.NoteAdded {
	m := &pb.NoteAdded{EntityKind: "place", Entity: place(r)}
	sealed, err := n.replica.Seals.Seal(owner(m), "text", "the lid sticks")
	if err == nil {
		err = n.replica.Seals.Save()
	}
	if !n.holds(err, nil) {
		return nil
	}
	n.w.count("private note")
	m.Text = sealed
	return m
}

func owner(m *pb.NoteAdded) event.Key { return event.SealOwner(noteType, m, "text", start) }

// reads says whether the node can read a private note.
func (n *node) reads(m *pb.NoteAdded) bool {
	_, ok := n.replica.Seals.Open(owner(m), "text", m.Text)
	return ok
}

// opensAll says that the node reads every note of a set that anybody reads.
func (n *node) opensAll(h held) bool {
	for _, r := range h {
		if r.Head.Type != noteType {
			continue
		}
		payload, err := r.Payload()
		m, ok := payload.(*pb.NoteAdded)
		if err == nil && ok && !n.reads(m) && slices.ContainsFunc(n.w.nodes, func(o *node) bool { return o.reads(m) }) {
			return false
		}
	}
	return true
}
