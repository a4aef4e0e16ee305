package event

import (
	"bytes"

	"google.golang.org/protobuf/proto"

	pb "thawtrail/proto/thawtrail/v1"
)

// A record that its log cannot hand on any more, because damage took one before it
// that was nowhere else, is saved again: a record of a new log carries it, byte by
// byte. What it says, who says so and when is in the bytes that are carried, and
// their hash is still its name. So it is one record, however often and by whichever
// way it comes. That it counts, and from where in the log, is asked of the record
// that carries it, because that is the one whose chain can be checked.

// Original is the record that this one carries, or else the record itself.
func (r *Record) Original() *Record {
	if r.carried != nil {
		return r.carried
	}
	return r
}

// Carry is the payload of the record that saves r again.
func Carry(r *Record) *pb.SavedAgain {
	return &pb.SavedAgain{Original: &pb.Tip{Log: r.Log[:], Seq: r.Seq(), Hash: r.Hash[:]}, Record: r.Wire()}
}

// carries is the record in the payload: nil unless the same device wrote it, behind
// the opening of another log, and it is what the payload says.
func (r *Record) carries() *Record {
	p := &pb.SavedAgain{}
	if proto.Unmarshal(r.Raw.Payload, p) != nil {
		return nil
	}
	in, err := alone(p.Record)
	if err != nil || in.Seq() == 0 || in.Log == r.Log || in.Head.Type == TypeSavedAgain {
		return nil
	}
	t := p.Original
	if in.Seq() != t.GetSeq() || !bytes.Equal(in.Log[:], t.GetLog()) || !bytes.Equal(in.Hash[:], t.GetHash()) {
		return nil
	}
	if len(in.Head.Device) == 0 || !bytes.Equal(in.Head.Device, r.Head.Device) {
		return nil
	}
	return in
}

// alone decodes a record and not what it carries: nothing of ours is carried twice.
func alone(wire []byte) (*Record, error) {
	b := &block{}
	if len(wire) > MaxRecordBytes || !b.plainRecord(wire) {
		return nil, errForm
	}
	b.rec.wire = wire
	return b.openAlone(&b.raw)
}

// carriedKeys are the entities of the record that a payload carries.
func carriedKeys(p *pb.SavedAgain) []Key {
	in, err := alone(p.Record)
	if err != nil {
		return nil
	}
	return in.Touches()
}
