package rpc

import (
	"context"
	"net"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/test/bufconn"

	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/replication"
	pb "thawtrail/proto/thawtrail/v1"
)

// hole is a connection that swallows what is written once it is cut: a laptop
// driven out of reach, with nobody to say so.
type hole struct {
	net.Conn
	cut *atomic.Bool
}

func (h hole) Write(p []byte) (int, error) {
	if h.cut.Load() {
		return len(p), nil
	}
	return h.Conn.Write(p)
}

// A pull stream over a link that went dead without a word ends within one ping
// and its timeout, in virtual time; a quiet link that lives goes on for an hour.
func TestHalfOpenLinkIsNoticed(t *testing.T) {
	for _, c := range []struct {
		name string
		cut  bool
	}{{"alive", false}, {"half open", true}} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) { pullThroughHole(t, c.cut) })
		})
	}
}

func pullThroughHole(t *testing.T, cut bool) {
	d := entrytest.New(t)
	done := make(chan struct{})
	server := grpc.NewServer(allowPings, answerPings)
	pb.RegisterExchangeServiceServer(server, exchangeService{responder: &replication.Responder{
		Replica: d.Replica, Practice: func() string { return "" }, Epoch: func() string { return "" }, Done: done,
	}})
	listener := bufconn.Listen(1 << 20)
	served := make(chan error, 1)
	go func() { served <- server.Serve(listener) }()

	var dead atomic.Bool
	conn, err := grpc.NewClient("passthrough:///hub", sendPings, grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) {
			c, err := listener.DialContext(ctx)
			return hole{c, &dead}, err
		}))
	require.NoError(t, err)
	ctx, stop := context.WithCancel(t.Context())
	stream, err := pb.NewExchangeServiceClient(conn).Pull(ctx, &pb.PullRequest{Device: d.Replica.Store.Device()})
	require.NoError(t, err)
	ended := make(chan time.Time, 1)
	go func() {
		for {
			if _, err := stream.Recv(); err != nil {
				ended <- time.Now()
				return
			}
		}
	}()
	time.Sleep(time.Second)
	cutAt := time.Now()
	dead.Store(cut)
	select {
	case at := <-ended:
		require.True(t, cut, "a quiet link that lives was ended")
		require.LessOrEqual(t, at.Sub(cutAt), PingEvery+PingTimeout+time.Second)
	case <-time.After(time.Hour):
		require.False(t, cut, "nobody noticed for an hour")
	}
	stop()
	close(done)
	require.NoError(t, conn.Close())
	server.Stop()
	<-served
}

// The keepalive of both sides must agree, or the server sends the client away.
func TestKeepaliveAgrees(t *testing.T) {
	require.Greater(t, PingEvery, MinPing)
}
