package entry

import (
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// seal replaces the plain text of every sealed field, and closes the words that tell who
// a client is where that client is known.
func (e *pending) seal() error {
	if e.b.trial {
		return nil // the rules of a sealed text are those of its words
	}
	if err := e.sealTwins(); err != nil {
		return err
	}
	return event.EachSealed(e.payload, func(field string, s *pb.Sealed) (*pb.Sealed, error) {
		if s.Plain == "" {
			return s, nil
		}
		e.newKeys = true
		return e.b.replica.Seals.Seal(event.SealOwner(e.spec.Type, e.payload, field, e.at), field, s.Plain)
	})
}

func (e *pending) sealTwins() error {
	for _, t := range event.Twins(e.payload) {
		words, client := t.Words(e.payload), t.Owner(e.payload)
		if words == "" || client.ID == "" {
			continue
		}
		if e.b.Forgotten(client.ID) {
			return refusal.Conflict(string(t.Plain.Name()), refusal.Shorten(words), "nothing").
				Because("the client of this case asked to be forgotten, and these words would tell who it was")
		}
		e.newKeys = true
		sealed, err := e.b.replica.Seals.Seal(client, string(t.Sealed.Name()), words)
		if err != nil {
			return err
		}
		t.Close(e.payload, sealed)
	}
	return nil
}

// withoutTwins takes sealed words out of what was asked for: they are typed in plain, and
// sealed here.
func withoutTwins(m proto.Message) proto.Message {
	for _, t := range event.Twins(m) {
		t.Put(m, t.Words(m))
	}
	return m
}
