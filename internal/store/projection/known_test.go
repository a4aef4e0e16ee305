package projection

import (
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/event"
	"thawtrail/internal/store/journal"
	pb "thawtrail/proto/thawtrail/v1"
)

// What was read lately is remembered, and only so much of it, be it many records or
// few that are long.
func TestFewReadRecordsAreRemembered(t *testing.T) {
	for _, size := range []int{100, event.MaxPayloadBytes} {
		var r readRecords
		k := &known{rec: &event.Record{Raw: &pb.Record{Payload: make([]byte, size)}}}
		most := min(maxYoung, maxYoungBytes/k.rec.Size())
		for i := range 3*most + most/2 {
			r.add(journal.Position{Offset: uint32(i)}, k)
			require.Contains(t, r.young, journal.Position{Offset: uint32(i)})
		}
		require.Len(t, r.old, most)
		require.Len(t, r.young, most/2)
		require.Contains(t, r.old, journal.Position{Offset: uint32(3*most - 1)})
		require.NotContains(t, r.old, journal.Position{Offset: uint32(2*most - 1)})
	}
}
