package store

import (
	"bytes"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/event"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal/memfs"
	pb "thawtrail/proto/thawtrail/v1"
)

// What a replica stands on fills the place of what is lost, once, and nothing else.
func TestBringBackFillsWhatIsLost(t *testing.T) {
	fs := memfs.New()
	s, err := Open(t.Context(), memoryOptions(31, fs, index.NewMemory()))
	require.NoError(t, err)
	recs, err := s.Append(t.Context(),
		Draft{Type: event.TypePracticeFounded, Payload: &pb.PracticeFounded{Practice: "one", Name: "One", Zone: "Australia/Sydney", Currency: "AUD", Owner: "o", OwnerName: "O"}},
		received("BAG", "P", "H-1"))
	require.NoError(t, err)
	charter, err := s.Charter(t.Context())
	require.NoError(t, err)
	require.Len(t, charter, 2, "the opening of its log, and the founding")
	require.Equal(t, uint64(0), charter[0].From)
	require.Equal(t, recs[0].Seq(), charter[1].From)

	before := s.truth.End()
	n, err := s.BringBack(charter)
	require.NoError(t, err)
	require.Zero(t, n, "all of it can be read")
	require.Equal(t, before, s.truth.End())
	places, err := s.projection.Places(recs[0].Log, recs[0].Seq(), 1)
	require.NoError(t, err)
	require.NoError(t, s.Close())

	require.NoError(t, fs.Flip("replica/journal/0000000001.journal", int(places[0].Pos.Offset)+40, 1))
	altered := []*pb.Run{charter[0], {Log: charter[1].Log, From: charter[1].From, Records: [][]byte{bytes.Clone(charter[1].Records[0])}}}
	altered[1].Records[0][60] ^= 1
	for _, c := range []struct {
		with  []*pb.Run
		found bool
	}{{nil, false}, {altered, false}, {charter[1:], true}, {charter, true}} {
		disk := fs.CrashClone(memfs.Keep)
		opt := memoryOptions(31, disk, index.NewMemory())
		opt.Charter = c.with
		back, err := Open(t.Context(), opt)
		require.NoError(t, err)
		require.NoError(t, back.View(t.Context(), func(v *Snapshot) error {
			rights, err := v.Rights()
			require.Equal(t, c.found, rights.Founded())
			return err
		}))
		require.Equal(t, c.found, slices.ContainsFunc(back.Repairs(), func(line string) bool { return strings.Contains(line, "were brought back") }))
		if c.found {
			require.Empty(t, back.Lacks(func([]byte) bool { return true }), "nothing is missing any more")
		}
		require.NoError(t, back.Close())
	}
}
