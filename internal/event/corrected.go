package event

import (
	"fmt"

	"google.golang.org/protobuf/proto"

	pb "thawtrail/proto/thawtrail/v1"
)

// Correctable says that records of the type can be corrected, or put in place of
// another. What makes rights and what the program writes by itself cannot. Nor can a
// correction, since it is the original that is corrected again; nor that a client was
// forgotten, since the keys are gone. A type of a newer version may be.
func Correctable(t Type) bool {
	s, known := Lookup(t)
	return !known || t != TypeCorrected && t != TypeForgotten && !rightsTypes[t] && !s.Rule.GetInternal()
}

// Replacement is what a correction puts in place of its original; nil when it voids.
// It is decoded as the payload of a record is: a correction carries nothing that an
// entry may not carry.
func Replacement(c *pb.Corrected) (proto.Message, error) {
	if c.Void {
		return nil, nil
	}
	if !Correctable(c.Type) {
		return nil, fmt.Errorf("%w: type %d in the place of another", ErrMalformed, c.Type)
	}
	_, m, err := decodePayload(c.Type, c.Payload)
	return m, err
}
