package journal

import (
	"cmp"
	"encoding/binary"
	"fmt"
	"math"
	"slices"
)

// Position is where a frame starts, or where the journal ends. Positions order
// as the frames were committed. The zero Position is before every frame.
type Position struct {
	Segment uint32 // from 1
	Offset  uint32 // bytes from the start of the segment's file
}

// Compare is negative when p comes before q, zero when they are the same.
func (p Position) Compare(q Position) int {
	return cmp.Or(cmp.Compare(p.Segment, q.Segment), cmp.Compare(p.Offset, q.Offset))
}

// IsZero reports whether p is the position before every frame.
func (p Position) IsZero() bool { return p == Position{} }

// String is for messages: segment:offset.
func (p Position) String() string { return fmt.Sprintf("%d:%d", p.Segment, p.Offset) }

// Encode gives 8 bytes, big endian, that sort as the positions do.
func (p Position) Encode() []byte { return p.AppendTo(make([]byte, 0, 8)) }

// AppendTo is Encode at the end of other bytes.
func (p Position) AppendTo(b []byte) []byte {
	b = binary.BigEndian.AppendUint32(b, p.Segment)
	return binary.BigEndian.AppendUint32(b, p.Offset)
}

// DecodePosition reads what Encode wrote; it refuses any other length.
func DecodePosition(b []byte) (Position, error) {
	if len(b) != 8 {
		return Position{}, fmt.Errorf("journal: a position is 8 bytes, not %d", len(b))
	}
	return Position{binary.BigEndian.Uint32(b), binary.BigEndian.Uint32(b[4:])}, nil
}

// Contains says that all of r lies in d.
func (d Range) Contains(r Range) bool {
	return d.From.Compare(r.From) <= 0 && r.To.Compare(d.To) <= 0
}

// JoinNearest makes ranges no more than most, in the order in which they begin. None is
// left out: where they are too many, the two between which least lies become one, which
// also covers what lies between them.
func JoinNearest(ranges []Range, most int) []Range {
	slices.SortFunc(ranges, func(a, b Range) int { return cmp.Or(a.From.Compare(b.From), a.To.Compare(b.To)) })
	for len(ranges) > max(most, 1) {
		at, least := 0, uint64(math.MaxUint64)
		for i := range len(ranges) - 1 {
			end, next := ranges[i].To.place(), ranges[i+1].From.place()
			if between := next - min(next, end); between < least {
				at, least = i, between
			}
		}
		one := ranges[at]
		if other := ranges[at+1].To; other.Compare(one.To) > 0 {
			one.To = other
		}
		ranges = slices.Replace(ranges, at, at+2, one)
	}
	return ranges
}

// place is a position as one number.
func (p Position) place() uint64 { return uint64(p.Segment)<<32 | uint64(p.Offset) }
