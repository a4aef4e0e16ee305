package replication

import (
	"maps"
	"path"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/clock"
	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/exchange"
	"thawtrail/internal/replica"
	pb "thawtrail/proto/thawtrail/v1"
)

// kept is what is kept aside, in memory.
type kept map[string]string

func (k kept) Write(name string, contents []byte) error { k[name] = string(contents); return nil }
func (k kept) List() ([]string, error)                  { return slices.Sorted(maps.Keys(k)), nil }
func (k kept) Remove(name string) error                 { delete(k, name); return nil }

// A run that is kept aside, and the reason beside it, are kept as all else of the
// replica is: by what seals, and nowhere else. The oldest go first.
func TestNothingIsKeptAsideInTheClear(t *testing.T) {
	now, aside := clock.NewManual(entrytest.Night), kept{}
	r := &replica.Replica{Clock: now, Aside: aside}
	quarantine(r, &pb.Run{Log: make([]byte, 32)}, &exchange.Refusal{Why: exchange.BrokenSignature})
	names, _ := aside.List()
	require.Len(t, names, 2)
	require.Equal(t, []string{".run", ".txt"}, []string{path.Ext(names[0]), path.Ext(names[1])})
	for range maxAside {
		now.Advance(time.Second)
		quarantine(r, &pb.Run{Log: make([]byte, 32)}, &exchange.Refusal{Why: exchange.BrokenSignature})
	}
	require.Len(t, aside, 2*maxAside)
	require.NotContains(t, aside, names[0])
	require.NotContains(t, aside, names[1])
}
