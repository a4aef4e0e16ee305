package agent_test

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/agent"
	"thawtrail/internal/clock"
	"thawtrail/internal/rpc"
	"thawtrail/internal/store"
	pb "thawtrail/proto/thawtrail/v1"
)

func (l *laptop) status() *pb.GetStatusResponse {
	l.t.Helper()
	status, err := l.audit.GetStatus(l.t.Context(), &pb.GetStatusRequest{})
	require.NoError(l.t, err)
	return status
}

// TestALiveLinkIsHeard: on a link where nothing happens the answers to its own
// questions count, and what was heard last is known after a restart without a link.
func TestALiveLinkIsHeard(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	l := c.join("north", "J. Reed", pb.Role_ROLE_CLINIC)
	c.same(l)
	eventually(t, "connected", func() bool { return l.state() == "connected" })
	heard := func() string { return l.status().Freshness.HeardFromServerAt }
	quiet := time.Now()
	require.Eventually(t, func() bool {
		at, err := time.Parse(time.RFC3339, heard())
		return err == nil && at.Sub(quiet) > 3*time.Second
	}, 2*rpc.PingEvery, 100*time.Millisecond, "an idle link that stands is heard")
	l.stop()
	c.stop()
	l.start()
	require.NotEmpty(t, heard(), "it is known after a restart")
	require.Contains(t, l.status().Freshness.Text, "Last heard from the clinic")
}

// TestTheNameOfEnrolmentIsKept: a laptop that is started without a name has the one
// by which it joined.
func TestTheNameOfEnrolmentIsKept(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	l := c.join("north car", "J. Reed", pb.Role_ROLE_CLINIC)
	l.stop()
	l.name = ""
	l.start()
	require.Equal(t, "north car", l.status().DeviceName)
	l.stop()
	l.name = "spare"
	l.start()
	require.Equal(t, "spare", l.status().DeviceName, "what is said at the start goes before it")
}

// opensPages starts a laptop with its pages, and stops it when they are there.
func (l *laptop) opensPages() {
	l.t.Helper()
	shown := make(chan string, 1)
	_, stop := run(l.t, func(ctx context.Context, ready func(string)) error {
		cfg := l.config()
		cfg.Pages, cfg.Ready, cfg.PagesReady = "127.0.0.1:0", ready, func(url string) { shown <- url }
		return agent.Run(ctx, cfg)
	})
	<-shown
	stop()
}

// TestWhatTheIndexMayLose: the secret of the pages' cookies and the epoch of the
// server lie beside the keys, and move there from the index of former times.
func TestWhatTheIndexMayLose(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	l := c.join("north", "J. Reed", pb.Role_ROLE_CLINIC)
	eventually(t, "connected", func() bool { return l.state() == "connected" })
	l.stop()
	for _, name := range []string{"pages.box", "link.box"} {
		require.NoError(t, os.RemoveAll(filepath.Join(l.dir, name)))
	}
	old := []byte("a secret of 32 bytes, not random")
	s, err := store.Open(t.Context(), l.home().Store(store.Options{Clock: clock.System{}, DeviceName: l.name}))
	require.NoError(t, err)
	require.NoError(t, s.SetLocal("page_secret", old))
	require.NoError(t, s.SetLocal("hub epoch", []byte("0123456789abcdef")))
	require.NoError(t, s.Close())
	c.stop()

	l.opensPages()
	got, _, err := l.home().Box("pages.box", "pages")
	require.NoError(t, err)
	require.Equal(t, old, got, "it moved")
	require.NoError(t, os.RemoveAll(filepath.Join(l.dir, "index")))
	l.opensPages()
	got, _, err = l.home().Box("pages.box", "pages")
	require.NoError(t, err)
	require.Equal(t, old, got, "it outlives the index")

	c.start(c.addr)
	l.start()
	eventually(t, "connected", func() bool { return l.state() == "connected" })
	require.Contains(t, l.log.text(), "began a new store", "the epoch of former times is compared with the server's")
}
