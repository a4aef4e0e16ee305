package entry

import (
	"time"

	"thawtrail/internal/event"
	"thawtrail/internal/replica"
	"thawtrail/internal/trust/pins"
	pb "thawtrail/proto/thawtrail/v1"
)

// Actor is who writes: the session where it was typed. Nobody says that no one has
// signed on there, because the page is locked. Ordered is how another laptop knew the
// author, of what it ordered this machine to write; nil: it was entered here.
type Actor struct {
	Session pins.Session
	Nobody  bool
	Ordered *pb.AuthorProof
}

// typing is who was switched to at a session; empty for nobody.
func typing(r *replica.Replica, session pins.Session) string {
	if r.Pins == nil {
		return ""
	}
	person, _ := r.Pins.Current(session)
	return person
}

// asksPIN says that an act asks for its author's PIN: one that the contract marks
// so, and any that goes past a caution.
func asksPIN(spec *event.Spec, overrides []*pb.Override) bool {
	return spec.Rule.GetAsksPin() || len(overrides) > 0
}

// AsksPIN says that an event asks for its author's PIN, also when no caution is
// gone past.
func AsksPIN(spec *event.Spec) bool { return asksPIN(spec, nil) }

// proofOf is how this machine knows the author of an entry. An act that asks for a
// PIN wants it with the act itself: who walks up to an open page discards nothing in
// another's name. For all else the proof of the session counts. Without proof an entry
// is made all the same, and says so; of an act that asked, it also says why.
func (w *Writer) proofOf(e *pending, actor Actor, req *pb.WriteRequest) (*pb.AuthorProof, string) {
	if actor.Ordered != nil {
		return actor.Ordered, ""
	}
	none := &pb.AuthorProof{Kind: pb.ProofKind_PROOF_KIND_NONE}
	asks := asksPIN(e.spec, req.Overrides) && !e.takesBack()
	var proven time.Time
	err := pins.ErrNone
	switch {
	case w.Pins == nil || e.author == "":
	case asks:
		proven, err = w.Pins.Prove(e.author, req.Pin)
	default:
		var person string
		if person, proven = w.Pins.Current(actor.Session); person == e.author && !proven.IsZero() {
			err = nil
		}
	}
	switch {
	case err == nil:
		return &pb.AuthorProof{Kind: pb.ProofKind_PROOF_KIND_PIN, ProvenUs: proven.UnixMicro()}, ""
	case asks:
		return none, "Saved with 'no proof' of who did it: " + err.Error() + "."
	}
	return none, ""
}
