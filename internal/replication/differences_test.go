package replication_test

import (
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/replication"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal/memfs"
)

// A laptop finds out at the hello that its disk lost a record of its own log. Nobody
// is told that its key is in use twice.
func TestALostRecordIsNoCopy(t *testing.T) {
	hub, disk := entrytest.Named(t, "clinic", 1), memfs.New()
	hub.Hub = true
	laptop, err := entrytest.On(t, "north car", 2, rand.NewChaCha8([32]byte{2}), disk, index.NewMemory())
	require.NoError(t, err)
	defer func() { require.NoError(t, laptop.Store.Close()) }()
	x := responder(t, hub)
	meet := func() *replication.Link {
		link := replication.NewLink(laptop.Replica, "the hub", nil, replication.Memory{})
		greeting := link.Greet()
		welcome, err := x.Hello(t.Context(), greeting.Request)
		require.NoError(t, err)
		session, err := link.Meet(t.Context(), greeting, welcome)
		require.NoError(t, err)
		for {
			req, err := session.Next(t.Context())
			require.NoError(t, err)
			if req == nil {
				return link
			}
			resp, err := x.Push(t.Context(), req)
			require.NoError(t, err)
			require.NoError(t, session.Answered(resp))
		}
	}
	meet() // the hub holds the openings
	laptop.Begin()
	require.NoError(t, laptop.Store.CatchUp(t.Context()))
	require.NoError(t, disk.Flip("replica/journal/0000000001.journal", 100, 1), "the first opening")
	logs := laptop.Store.OwnLogs()
	said := strings.Join(meet().Differences(), "\n")
	require.NotContains(t, said, "in use twice")
	require.NotContains(t, said, "different records at one place")
	require.Equal(t, logs, laptop.Store.OwnLogs())
	require.NotEmpty(t, laptop.Store.Repairs())
}
