package rpc

import (
	"context"
	"net"

	"google.golang.org/grpc/credentials"
)

// listening makes credentials that tell whenever anything arrives from the other
// side, answers to pings too. What arrives was decrypted and so is the other side's.
type listening struct {
	credentials.TransportCredentials
	arrived func()
}

// ClientHandshake is the handshake of the credentials below.
func (c listening) ClientHandshake(ctx context.Context, authority string, raw net.Conn) (net.Conn, credentials.AuthInfo, error) {
	conn, info, err := c.TransportCredentials.ClientHandshake(ctx, authority, raw)
	if err != nil {
		return conn, info, err
	}
	return heardConn{conn, c.arrived}, info, nil
}

// Clone keeps who is told.
func (c listening) Clone() credentials.TransportCredentials {
	return listening{c.TransportCredentials.Clone(), c.arrived}
}

type heardConn struct {
	net.Conn
	arrived func()
}

// Read tells of what arrived.
func (c heardConn) Read(b []byte) (int, error) {
	n, err := c.Conn.Read(b)
	if n > 0 {
		c.arrived()
	}
	return n, err
}
