package event

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	pb "thawtrail/proto/thawtrail/v1"
)

// written makes a record as a device that was altered could: nothing checked it.
func written(t *testing.T, typ Type, payload proto.Message, change func(*pb.Header)) *Record {
	t.Helper()
	b, err := proto.Marshal(payload)
	require.NoError(t, err)
	h := &pb.Header{Log: make([]byte, 32), Prev: make([]byte, 32), Seq: 1, Type: typ, OccurredAt: &pb.Moment{UnixMs: 5, Zone: "Etc/UTC"}, Author: "reed"}
	if change != nil {
		change(h)
	}
	made, err := Seal(h, b, nil)
	require.NoError(t, err)
	r, err := Decode(made.Wire())
	require.NoError(t, err, "it is kept, whatever it says")
	require.Equal(t, made.Wire(), r.Wire(), "and passed on as it came")
	return r
}

// What is too long for an entry is too long in another device's record: it is
// kept and cannot be read. What the program writes by itself may be longer.
func TestSizesArePartOfDecoding(t *testing.T) {
	long := strings.Repeat("x", 201)
	bags := make([]string, 201)
	for name, r := range map[string]*Record{
		"a name":            written(t, 11, &pb.PlaceAdded{Place: "P", Name: long}, nil),
		"many bags":         written(t, 33, &pb.BagsMoved{Bags: bags, ToPlace: "P"}, nil),
		"a sealed text":     written(t, 8, &pb.NoteAdded{EntityKind: "bag", Entity: "B", Text: &pb.Sealed{Ciphertext: make([]byte, 16<<10+1)}}, nil),
		"the author":        written(t, 11, &pb.PlaceAdded{Place: "P"}, func(h *pb.Header) { h.Author = long }),
		"the zone":          written(t, 11, &pb.PlaceAdded{Place: "P"}, func(h *pb.Header) { h.OccurredAt.Zone = long }),
		"reason of a log's": written(t, TypeHubStatement, &pb.HubStatement{HubEpoch: make([]byte, 4<<10+1)}, nil),
	} {
		_, err := r.Payload()
		require.ErrorIs(t, err, ErrTooLarge, name)
		require.Less(t, len(r.Head.Author)+len(r.Head.OccurredAt.Zone), 50, name)
	}
	many := &pb.HubStatement{HubEpoch: []byte("e")}
	for range 600 {
		many.Accepted = append(many.Accepted, &pb.AcceptedTip{Tip: &pb.Tip{Log: make([]byte, 32), Hash: make([]byte, 32)}})
	}
	for name, r := range map[string]*Record{
		"a name of 200 bytes": written(t, 11, &pb.PlaceAdded{Place: "P", Name: long[1:]}, nil),
		"200 bags":            written(t, 33, &pb.BagsMoved{Bags: bags[1:], ToPlace: "P"}, nil),
		"a practice's logs":   written(t, TypeHubStatement, many, nil),
		"an old payload":      written(t, TypeCorrected, &pb.Corrected{Original: long[:64], Type: 11, Payload: make([]byte, 5000), Reason: "x"}, nil),
	} {
		_, err := r.Payload()
		require.NoError(t, err, name)
	}
}
