package agent_test

import (
	"io"
	"net"
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	pb "thawtrail/proto/thawtrail/v1"
)

// metricsAt reads the metrics of a running program; empty while it does not answer.
func metricsAt(t *testing.T, addr string) string {
	t.Helper()
	answer, err := http.Get("http://" + addr + "/metrics")
	if err != nil {
		return ""
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	require.NoError(t, err)
	return string(text)
}

// TestTheServerCountsItsLaptops: those that are connected, over real links, and what they
// call.
func TestTheServerCountsItsLaptops(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	l := c.join("north", "J. Reed", pb.Role_ROLE_VET)
	c.same(l)
	c.stop()
	free, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	c.metrics = free.Addr().String()
	require.NoError(t, free.Close())
	c.start(c.addr)
	says := func(line string) func() bool {
		return func() bool { return strings.Contains(metricsAt(t, c.metrics), "\n"+line) }
	}
	eventually(t, "one laptop is connected", says("thawtrail_connected_laptops 1\n"))
	eventually(t, "its hello is counted", says(`thawtrail_calls_total{code="OK",method="Hello",service="ExchangeService"}`))
	eventually(t, "and how long it took", says(`thawtrail_call_duration_seconds_count{service="ExchangeService"}`))
	l.stop()
	eventually(t, "none is connected", says("thawtrail_connected_laptops 0\n"))
	require.NotContains(t, metricsAt(t, c.metrics), "Reed", "no name of a person stands there")
}
