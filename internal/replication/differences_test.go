package replication_test

import (
	"errors"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/refusal"
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

// blind is an index that cannot be read, once told so.
type blind struct {
	index.Index
	shut bool
}

func (b *blind) View(fn func(index.Reader) error) error {
	if b.shut {
		return errors.New("input/output error")
	}
	return b.Index.View(fn)
}

// While its index cannot be read a laptop does not know what it holds. It hangs up and
// says so: that its own log differs from the server's copy would be a guess, and new
// logs for nothing.
func TestWhatCannotBeReadIsNoDifference(t *testing.T) {
	hub, ix := entrytest.Named(t, "clinic", 1), &blind{Index: index.NewMemory()}
	hub.Hub = true
	laptop, err := entrytest.On(t, "north car", 2, rand.NewChaCha8([32]byte{2}), memfs.New(), ix)
	require.NoError(t, err)
	defer func() { require.NoError(t, laptop.Store.Close()) }()
	x := responder(t, hub)
	link := replication.NewLink(laptop.Replica, "the hub", nil, replication.Memory{})
	meet := func() (*replication.Session, error) {
		greeting := link.Greet()
		welcome, err := x.Hello(t.Context(), greeting.Request)
		require.NoError(t, err)
		return link.Meet(t.Context(), greeting, welcome)
	}
	session, err := meet()
	require.NoError(t, err)
	for range 2 { // the openings of both logs
		req, err := session.Next(t.Context())
		require.NoError(t, err)
		resp, err := x.Push(t.Context(), req)
		require.NoError(t, err)
		require.NoError(t, session.Answered(resp))
	}
	laptop.Begin()
	require.NoError(t, laptop.Store.CatchUp(t.Context()))
	logs := laptop.Store.OwnLogs()

	ix.shut = true
	_, err = meet()
	require.ErrorIs(t, err, refusal.ErrDamaged)
	require.ErrorContains(t, err, "input/output error")
	require.Equal(t, logs, laptop.Store.OwnLogs())
	ix.shut = false
	_, err = meet()
	require.NoError(t, err)
	require.Equal(t, logs, laptop.Store.OwnLogs())
}
