package event

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	pb "thawtrail/proto/thawtrail/v1"
)

// instead is a correction that puts a payload in place of an entry.
func instead(t *testing.T, typ Type, m proto.Message) *pb.Corrected {
	t.Helper()
	b, err := proto.Marshal(m)
	require.NoError(t, err)
	return &pb.Corrected{Type: typ, Payload: b}
}

// What a correction puts in place is read as the payload of a record is, and kept to
// the same sizes; one that voids puts nothing there.
func TestReplacement(t *testing.T) {
	place := &pb.PlaceAdded{Place: "P", Name: "north car"}
	m, err := Replacement(instead(t, 11, place))
	require.NoError(t, err)
	require.True(t, proto.Equal(place, m))

	void := instead(t, 11, place)
	void.Void = true
	m, err = Replacement(void)
	require.NoError(t, err)
	require.Nil(t, m)

	for name, c := range map[string]*pb.Corrected{
		"torn bytes":                   {Type: 11, Payload: []byte{0x0a}},
		"a right":                      instead(t, TypeRoleGranted, &pb.RoleGranted{Person: "reed"}),
		"a correction":                 instead(t, TypeCorrected, &pb.Corrected{}),
		"what the program writes":      instead(t, TypeRecordsLost, &pb.RecordsLost{}),
		"a name longer than one typed": instead(t, 11, &pb.PlaceAdded{Place: "P", Name: strings.Repeat("x", 201)}),
	} {
		m, err = Replacement(c)
		require.Error(t, err, name)
		require.NotErrorIs(t, err, ErrNewer, name)
		require.Nil(t, m, name)
	}
	_, err = Replacement(&pb.Corrected{Type: 9999})
	require.ErrorIs(t, err, ErrNewer)
}

// The key of words that a correction puts in place travels as that of any other words.
func TestACorrectionNeedsItsKeys(t *testing.T) {
	client := &pb.ClientAdded{Client: "K", Name: &pb.Sealed{KeyId: []byte("a key"), Ciphertext: []byte("x")}}
	r := written(t, TypeCorrected, instead(t, 22, client), nil)
	require.Equal(t, [][]byte{[]byte("a key")}, r.KeysNeeded())
	require.Empty(t, written(t, TypeCorrected, &pb.Corrected{Void: true}, nil).KeysNeeded())
	require.Empty(t, written(t, TypeCorrected, &pb.Corrected{Type: 9999}, nil).KeysNeeded())
}
