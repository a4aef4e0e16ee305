package entry

import (
	"thawtrail/internal/event"
	pb "thawtrail/proto/thawtrail/v1"
)

// seal replaces the plain text of every sealed field.
func (e *pending) seal() error {
	if e.b.trial {
		return nil // the rules of a sealed text are those of its words
	}
	return event.EachSealed(e.payload, func(field string, s *pb.Sealed) (*pb.Sealed, error) {
		if s.Plain == "" {
			return s, nil
		}
		e.newKeys = true
		return e.b.replica.Seals.Seal(event.SealOwner(e.spec.Type, e.payload, e.at), field, s.Plain)
	})
}
