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
	s := openMemory(t, 31)
	log := s.OwnLogs()[0]
	opening := s.projection.RecordsAt(log, 0)[0]
	ends, err := s.Append(t.Context(), received("BAG1", "P", "H-1"))
	require.NoError(t, err)
	end := ends[0]
	other := besides(t, s, end)

	l, ok := projection.OpenedLog(opening)
	require.True(t, ok)
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

// besides is another record of the store's device at the place of r.
func besides(t *testing.T, s *Store, r *event.Record) *event.Record {
	head := proto.CloneOf(r.Head)
	head.RequestId = "a twin's"
	p, err := r.Payload()
	require.NoError(t, err)
	payload, err := marshal(p)
	require.NoError(t, err)
	other, err := event.Seal(head, payload, func(m []byte) []byte { return ed25519.Sign(s.opt.Device, m) })
	require.NoError(t, err)
	return other
}
