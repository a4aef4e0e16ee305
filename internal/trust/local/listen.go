package local

import (
	"context"
	"crypto/ed25519"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"

	"thawtrail/internal/trust/authority"
)

// Opened is the door of a running daemon, from inside.
type Opened struct {
	Door
	// Unwritten says what of it could not be written down: commands may have to
	// name the address. Nil: all is.
	Unwritten error
	socket    net.Listener // nil where there is none
	remove    func()
}

// Open opens the door of the daemon on a data folder that listens at address:
// its socket, a new token, and what commands need to find both. An address that many
// folders share is no way to any one of them, and left empty. key is the
// daemon's TLS key at that address, nil when it speaks in clear there. service is the
// folder of a service's doors, empty for a daemon that a person started. A full disk
// does not keep it shut: see Unwritten.
func Open(data, address, service string, key ed25519.PublicKey, random io.Reader) (*Opened, error) {
	o := &Opened{Door: Door{Address: address, Key: key}}
	var err error
	if o.Token, err = NewToken(random); err != nil {
		return nil, err
	}
	if o.socket, err = listenSocket(data, service); o.socket != nil {
		o.Socket = o.socket.Addr().String()
	}
	remove, unwritten := o.write(data, service)
	unlink := func() {}
	if address != "" {
		unlink = o.linkSocket(service)
	}
	o.remove = func() { remove(); unlink() }
	o.Unwritten = errors.Join(err, unwritten)
	return o, nil
}

// linkSocket lets the socket be found by the daemon's address too, which takes no
// room on a full disk. It is a help: without it nothing is lost.
func (o *Opened) linkSocket(service string) (unlink func()) {
	dir, err := folderOf(service)
	if err != nil || o.Socket == "" {
		return func() {}
	}
	link := socketOfAddress(dir, o.Address)
	_ = os.Remove(link)
	_ = os.Symlink(o.Socket, link)
	return func() { _ = os.Remove(link) }
}

// Say logs, once at the start, what could not be written down.
func (o *Opened) Say(log *slog.Logger) {
	if o.Unwritten != nil {
		log.Warn("how to reach this program could not be written down; the pages work, and a command finds it by its socket where there is one", "address", o.Address, "error", o.Unwritten)
	}
}

// Listener is the socket, nil where there is none.
func (o *Opened) Listener() net.Listener { return o.socket }

// Listeners are all listeners of the daemon.
func (o *Opened) Listeners(tcp net.Listener) []net.Listener {
	if o.socket == nil {
		return []net.Listener{tcp}
	}
	return []net.Listener{tcp, o.socket}
}

// Close takes away what commands find.
func (o *Opened) Close() {
	o.remove()
	_ = o.closeSocket() // the server has closed it already
}

func (o *Opened) closeSocket() error {
	if o.socket == nil {
		return nil
	}
	return o.socket.Close()
}

// maxSocketPath is what every system takes for the path of a socket.
const maxSocketPath = 100

// ListenSocket opens the socket of the daemon on a data folder, where the system
// has sockets that keep other users out; nil elsewhere. One that a crashed daemon
// left is replaced: who calls this holds the data folder's lock.
func ListenSocket(data string) (net.Listener, error) { return listenSocket(data, "") }

func listenSocket(data, service string) (net.Listener, error) {
	if !hasSockets {
		return nil, nil
	}
	dir, err := folderOf(service)
	if err != nil {
		return nil, err
	}
	path := socketOfData(dir, data)
	if len(path) > maxSocketPath {
		return nil, nil // the token does without
	}
	if err := os.Remove(path); err != nil && !errors.Is(err, os.ErrNotExist) {
		return nil, fmt.Errorf("local socket: %w", err)
	}
	l, err := net.Listen("unix", path)
	if err != nil {
		return nil, fmt.Errorf("local socket: %w", err)
	}
	mode := os.FileMode(0o600)
	if service != "" {
		mode = 0o660 // the folder's group may use a service
	}
	if err := os.Chmod(path, mode); err != nil {
		return nil, errors.Join(fmt.Errorf("local socket: %w", err), l.Close())
	}
	return l, nil
}

// Credentials are the daemon's side of links in clear from this machine: over
// its socket, or over loopback with the token.
type Credentials struct {
	credentials.TransportCredentials
}

// NewCredentials makes them.
func NewCredentials() Credentials { return Credentials{insecure.NewCredentials()} }

// ServerHandshake implements credentials.TransportCredentials.
func (Credentials) ServerHandshake(conn net.Conn) (net.Conn, credentials.AuthInfo, error) {
	caller := authority.Caller{CommonAuthInfo: credentials.CommonAuthInfo{SecurityLevel: credentials.PrivacyAndIntegrity}}
	switch a := conn.RemoteAddr().(type) {
	case *net.UnixAddr:
		caller.Way = authority.BySocket
	case *net.TCPAddr:
		if a.IP.IsLoopback() {
			caller.Way = authority.ByLocal
		}
	}
	if caller.Way == 0 {
		return nil, nil, errors.Join(errors.New("local links come from this machine"), conn.Close())
	}
	return conn, caller, nil
}

// Clone implements credentials.TransportCredentials.
func (c Credentials) Clone() credentials.TransportCredentials { return c }

// token sends the token with every call.
type token string

// GetRequestMetadata implements credentials.PerRPCCredentials.
func (t token) GetRequestMetadata(context.Context, ...string) (map[string]string, error) {
	return map[string]string{authority.TokenHeader: string(t)}, nil
}

// RequireTransportSecurity implements credentials.PerRPCCredentials: the link
// does not leave the machine.
func (token) RequireTransportSecurity() bool { return false }

// Target is what grpc.NewClient is given to go through the door, and how.
func (d Door) Target() (target string, options []grpc.DialOption) {
	if d.Socket != "" {
		return "unix:" + d.Socket, []grpc.DialOption{grpc.WithTransportCredentials(insecure.NewCredentials())}
	}
	creds := insecure.NewCredentials()
	if len(d.Key) > 0 {
		creds = authority.Local(d.Key)
	}
	return "passthrough:///" + d.Address, []grpc.DialOption{
		grpc.WithTransportCredentials(creds), grpc.WithPerRPCCredentials(token(d.Token)),
	}
}

// Target is how to reach a daemon at an address, or the one on a data folder: through its
// door when this user started it, else as a stranger.
func Target(at string) (target string, options []grpc.DialOption) {
	of := OfAddress
	if IsFolder(at) {
		of = OfData
	}
	if d, err := of(at); err == nil {
		return d.Target()
	}
	return "passthrough:///" + at, []grpc.DialOption{grpc.WithTransportCredentials(insecure.NewCredentials())}
}

// IsFolder says that what names a daemon is its data folder and no address.
func IsFolder(at string) bool {
	if _, _, err := net.SplitHostPort(at); err == nil {
		return false
	}
	info, err := os.Stat(at)
	return err == nil && info.IsDir()
}
