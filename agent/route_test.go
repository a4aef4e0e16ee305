package agent_test

import (
	"context"
	"net"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/agent"
	pb "thawtrail/proto/thawtrail/v1"
)

// nobodyAt is an address of this machine at which nobody listens.
func nobodyAt(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close()
	return l.Addr().String()
}

// Of several addresses, inside the clinic and outside, the one that answers is used: to
// join, and from then on. The setting under which it answered is remembered; a slip is not.
func TestAddressesAreTriedInTurn(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	l := newLaptop(t, "north car")
	l.server = nobodyAt(t) + ", " + c.addr
	c.enrol(l, "J. Reed", pb.Role_ROLE_VET)
	connected := func() bool { return l.state() == "connected" }
	require.Eventually(t, connected, 20*time.Second, 20*time.Millisecond)
	require.Equal(t, l.server, l.home().Joined.Server)
	l.stop()

	other := c.addr + "," + nobodyAt(t)
	l.server = other
	l.start()
	require.Eventually(t, connected, 20*time.Second, 20*time.Millisecond)
	l.stop()
	require.Equal(t, other, l.home().Joined.Server, "it answered, and is remembered")

	l.server = nobodyAt(t)
	l.start()
	require.Never(t, connected, time.Second, 50*time.Millisecond)
	l.stop()
	l.server = ""
	l.start()
	require.Eventually(t, connected, 20*time.Second, 20*time.Millisecond, "without an address, the last that answered")
}

// A running agent takes other addresses, and leaves the one that is not among them.
func TestAddressesChangeWhileItRuns(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	l := c.join("north car", "J. Reed", pb.Role_ROLE_VET)
	l.stop()
	servers := make(chan string)
	l.server = nobodyAt(t)
	_, l.stop = run(t, func(ctx context.Context, ready func(string)) error {
		cfg := l.config()
		cfg.Ready, cfg.Servers = ready, servers
		return agent.Run(ctx, cfg)
	})
	l.conn = dial(t, l.dir)
	l.audit = pb.NewAuditServiceClient(l.conn)
	connected := func() bool { return l.state() == "connected" }
	require.Never(t, connected, time.Second, 50*time.Millisecond)
	servers <- c.addr
	require.Eventually(t, connected, 20*time.Second, 20*time.Millisecond)
	servers <- nobodyAt(t)
	require.Eventually(t, func() bool { return !connected() }, 20*time.Second, 20*time.Millisecond)
}
