package store

import (
	"crypto/ed25519"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/store/projection"
)

// The end of a log cannot be read any more, the other branch of a fork comes, and
// then the end comes again. The log has both ends, whichever came first.
func TestAForkBesideAnEndThatCannotBeRead(t *testing.T) {
	_, l, opening, end, other := twoEnds(t)
	held := map[uint64][]exchange.Point{0: {exchange.PointOf(opening)}} // what can be read
	at := func(seq uint64) ([]exchange.Point, error) { return held[seq], nil }
	require.NoError(t, l.Advance(opening, at))
	require.NoError(t, l.Advance(end, at))

	for _, r := range []*event.Record{other, end} {
		require.NoError(t, l.Advance(r, at))
		held[1] = append(held[1], exchange.PointOf(r))
	}
	require.EqualValues(t, 1, l.Fork)
	require.Equal(t, []exchange.Tip{{Seq: 1, Hash: end.Hash}, {Seq: 1, Hash: other.Hash}}, l.Tips())
}

// A record of another branch came without the one before it, and the log's end was
// taken for a part of that branch. When the record between comes, the end is an end.
func TestAnEndThatAGapPassedOver(t *testing.T) {
	s, l, opening, end, between := twoEnds(t)
	head := proto.CloneOf(between.Head)
	head.Seq, head.Prev = 2, between.Hash[:]
	after, err := event.Seal(head, between.Raw.Payload, func(m []byte) []byte { return ed25519.Sign(s.opt.Device, m) })
	require.NoError(t, err)

	held := map[uint64][]exchange.Point{}
	at := func(seq uint64) ([]exchange.Point, error) { return held[seq], nil }
	for _, r := range []*event.Record{opening, end, after, between} {
		require.NoError(t, l.Advance(r, at))
		held[r.Seq()] = append(held[r.Seq()], exchange.PointOf(r))
	}
	require.EqualValues(t, 1, l.Fork)
	require.Equal(t, []exchange.Tip{{Seq: 2, Hash: after.Hash}, {Seq: 1, Hash: end.Hash}}, l.Tips())
}

// A record whose next one could not be read looked like an end. When the next one
// comes again, it is none.
func TestAnEndThatWasNone(t *testing.T) {
	s, l, opening, first, other := twoEnds(t)
	ends, err := s.Append(t.Context(), received("BAG2", "P", "H-1"))
	require.NoError(t, err)
	held := map[uint64][]exchange.Point{}
	at := func(seq uint64) ([]exchange.Point, error) { return held[seq], nil }
	for _, r := range []*event.Record{opening, first, ends[0], other, ends[0]} {
		require.NoError(t, l.Advance(r, at))
		if r != ends[0] { // which cannot be read
			held[r.Seq()] = append(held[r.Seq()], exchange.PointOf(r))
		}
	}
	require.Equal(t, []exchange.Tip{{Seq: 2, Hash: ends[0].Hash}, {Seq: 1, Hash: other.Hash}}, l.Tips())
}

// twoEnds are a log before its first record, its opening, and two records that
// follow it: the second one is a twin's.
func twoEnds(t *testing.T) (s *Store, l *LogInfo, opening, end, other *event.Record) {
	s = openMemory(t, 31)
	openings, err := s.projection.RecordsAt(s.OwnLogs()[0], 0)
	require.NoError(t, err)
	opening = openings[0]
	ends, err := s.Append(t.Context(), received("BAG1", "P", "H-1"))
	require.NoError(t, err)
	end = ends[0]
	head := proto.CloneOf(end.Head)
	head.RequestId = "a twin's"
	other, err = event.Seal(head, end.Raw.Payload, func(m []byte) []byte { return ed25519.Sign(s.opt.Device, m) })
	require.NoError(t, err)
	l, ok := projection.OpenedLog(opening)
	require.True(t, ok)
	return s, l, opening, end, other
}
