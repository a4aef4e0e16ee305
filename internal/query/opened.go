package query

import (
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	pb "thawtrail/proto/thawtrail/v1"
)

// forgotten stands in place of a text whose key is not here.
const forgotten = "(sealed: the key is not on this laptop)"

// opened is an entry with its sealed fields in clear, for people.
func (b *ReadView) opened(e *pb.Entry) *pb.Entry {
	t, m, err := event.Unwrap(e)
	if err != nil {
		return e
	}
	m = proto.Clone(b.told(m))
	// Opening cannot fail; what cannot be read says so.
	_ = event.EachSealed(m, func(field string, s *pb.Sealed) (*pb.Sealed, error) {
		plain, ok := b.r.Seals.Open(event.SealOwner(t, m, field, b.now), field, s)
		if !ok {
			plain = forgotten
		}
		return &pb.Sealed{Plain: plain}, nil
	})
	out, err := event.Wrap(t, m)
	if err != nil {
		return e
	}
	return out
}
