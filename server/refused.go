package server

import (
	"context"
	"errors"
	"net"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/peer"

	"thawtrail/internal/refusal"
	"thawtrail/internal/rpc"
	"thawtrail/internal/trust/local"
)

// refuse counts a link that is not let in now. A laptop's is closed: only the practice could
// answer it, and laptops try again by themselves. A command of this machine is told why.
func (h *host) refuse(p *hosted, conn net.Conn, why error) {
	h.refused.WithLabelValues(reasonOf(why)).Inc()
	h.cfg.Log.Debug("a link is refused", "practice", p.name, "error", why)
	if _, ours := conn.RemoteAddr().(*net.UnixAddr); !ours {
		_ = conn.Close()
		return
	}
	h.reasons.give(refusedConn{conn, refusal.Fail(refusal.ErrUnavailable, "the practice %s does not answer now: %v", p.name, why)})
}

// refusedConn is a link of this machine that gets one answer.
type refusedConn struct {
	net.Conn
	why error
}

// toldWithin is how long such a link lasts: a command that asks again is let in by then,
// perhaps.
const toldWithin = time.Second

// reasonsServer tells whoever asks anything over a refused link why it is refused.
func reasonsServer() *grpc.Server {
	return grpc.NewServer(grpc.Creds(reasonsOnly{local.NewCredentials()}), grpc.ConnectionTimeout(toldWithin),
		grpc.KeepaliveParams(keepalive.ServerParameters{MaxConnectionAge: toldWithin, MaxConnectionAgeGrace: toldWithin}),
		grpc.UnknownServiceHandler(func(_ any, stream grpc.ServerStream) error { return rpc.Status(whyRefused(stream.Context())) }))
}

// reasonsOnly are credentials by which a call knows why its link is refused.
type reasonsOnly struct{ local.Credentials }

// ServerHandshake implements credentials.TransportCredentials.
func (reasonsOnly) ServerHandshake(conn net.Conn) (net.Conn, credentials.AuthInfo, error) {
	refused, ok := conn.(refusedConn)
	if !ok {
		return nil, nil, errors.Join(errors.New("this link was not refused"), conn.Close())
	}
	return conn, reason{why: refused.why}, nil
}

// Clone implements credentials.TransportCredentials.
func (r reasonsOnly) Clone() credentials.TransportCredentials { return r }

// reason is what is known of a caller over a refused link.
type reason struct {
	credentials.CommonAuthInfo
	why error
}

// AuthType implements credentials.AuthInfo.
func (reason) AuthType() string { return "refused" }

func whyRefused(ctx context.Context) error {
	caller, _ := peer.FromContext(ctx)
	known, ok := caller.AuthInfo.(reason)
	if !ok {
		return errors.New("a call came over a link that was not refused")
	}
	return known.why
}
