package authority

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"sync/atomic"
	"time"

	"google.golang.org/grpc/credentials"
)

// Members knows who is in the practice, from its books.
type Members interface {
	// Admitted says whether the laptop with this key is in the practice now.
	Admitted(ed25519.PublicKey) bool
	// Doubt is why no laptop can be told from a stranger now, in words; empty: each can.
	Doubt() string
}

// Way is how a caller came.
type Way uint8

// Ways. The zero value is nobody.
const (
	_ Way = iota
	// ByDevice: over TLS, with a device's key.
	ByDevice
	// ByEnrolment: over TLS, as a stranger with a code.
	ByEnrolment
	// ByLocal: over TLS or in clear from this machine; a token must prove the user.
	ByLocal
	// ByUnknown: over TLS, with a device's key, while nobody here can tell whose it is.
	ByUnknown
	// BySocket: over this user's socket, which only this user can open.
	BySocket
	// ByProbe: over TLS, under any other name or none and without a key: a monitor that
	// asks whether the program is up.
	ByProbe
)

// Caller is what the link itself proves of who is at its other end. It is the
// AuthInfo of a gRPC peer.
type Caller struct {
	credentials.CommonAuthInfo
	Way    Way
	Device ed25519.PublicKey // ByDevice and ByUnknown only
	Server ed25519.PublicKey // the key of the TLS certificate that was shown
	Link   uint64            // tells this link from every other one of this run
}

// AuthType implements credentials.AuthInfo.
func (Caller) AuthType() string { return "thawtrail" }

// protocols is what every link speaks: HTTP/2 alone.
var protocols = []string{"h2"}

// base is what all configurations share.
func base() *tls.Config {
	return &tls.Config{
		MinVersion: tls.VersionTLS13, NextProtos: protocols, SessionTicketsDisabled: true,
		Time: func() time.Time { return checkedAt },
	}
}

// Credentials are the server's side of every TLS link.
type Credentials struct {
	Certificate func() tls.Certificate // read at each handshake, so that it can be replaced
	Members     Members
	Links       *Links
}

// Config is the listening side's configuration.
func (c *Credentials) Config() *tls.Config {
	out := base()
	out.GetConfigForClient = c.forClient
	return out
}

func (c *Credentials) forClient(hello *tls.ClientHelloInfo) (*tls.Config, error) {
	cfg := base()
	cert := c.Certificate()
	cfg.Certificates = []tls.Certificate{cert}
	if kindOf(hello.ServerName, cert.Leaf) == practiceName {
		cfg.ClientAuth = tls.RequireAnyClientCert
		cfg.VerifyConnection = func(s tls.ConnectionState) error {
			key, err := deviceKey(s)
			if err == nil && !c.Members.Admitted(key) && c.Members.Doubt() == "" {
				err = errors.New("this laptop is not in the practice")
			}
			return err
		}
	}
	return cfg, nil
}

// deviceKey is the key of the device at the other end. TLS has checked that it
// holds it; the rest of its certificate says nothing.
func deviceKey(s tls.ConnectionState) (ed25519.PublicKey, error) {
	if len(s.PeerCertificates) != 1 {
		return nil, errors.New("one certificate of a laptop is needed")
	}
	key, ok := s.PeerCertificates[0].PublicKey.(ed25519.PublicKey)
	if !ok {
		return nil, errors.New("a laptop's key is Ed25519")
	}
	return key, nil
}

// ServerHandshake implements credentials.TransportCredentials. gRPC bounds the
// time that it takes. A unix socket needs none: only this user can open it.
func (c *Credentials) ServerHandshake(raw net.Conn) (net.Conn, credentials.AuthInfo, error) {
	if _, ok := raw.RemoteAddr().(*net.UnixAddr); ok {
		return raw, Caller{CommonAuthInfo: credentials.CommonAuthInfo{SecurityLevel: credentials.PrivacyAndIntegrity}, Way: BySocket}, nil
	}
	from, _, err := net.SplitHostPort(raw.RemoteAddr().String())
	if err != nil || !c.Links.shakes.Begin(from) {
		return nil, nil, errors.Join(errors.New("too many links are being made"), raw.Close())
	}
	defer c.Links.shakes.End(from)
	conn := tls.Server(raw, c.Config())
	if err := conn.HandshakeContext(context.Background()); err != nil { // raw has gRPC's deadline
		return nil, nil, errors.Join(err, raw.Close())
	}
	s := conn.ConnectionState()
	leaf := c.Certificate().Leaf
	caller := Caller{
		CommonAuthInfo: credentials.CommonAuthInfo{SecurityLevel: credentials.PrivacyAndIntegrity},
		Server:         leaf.PublicKey.(ed25519.PublicKey), Link: c.Links.made.Add(1),
	}
	switch kindOf(s.ServerName, leaf) {
	case practiceName:
		caller.Way = ByDevice
		caller.Device, _ = deviceKey(s) // checked in the handshake
		if c.Members.Doubt() != "" {
			caller.Way = ByUnknown
		}
	case enrolName:
		caller.Way = ByEnrolment
	case localName:
		if caller.Way = ByLocal; !isLoopback(raw.RemoteAddr()) {
			return nil, nil, errors.Join(errors.New("local links come from this machine"), conn.Close())
		}
	default:
		caller.Way = ByProbe
	}
	tracked, err := c.Links.enter(conn, caller, c.Members)
	if err != nil {
		return nil, nil, errors.Join(err, conn.Close())
	}
	return tracked, caller, nil
}

func isLoopback(a net.Addr) bool {
	tcp, ok := a.(*net.TCPAddr)
	return ok && tcp.IP.IsLoopback()
}

// ClientHandshake implements credentials.TransportCredentials; these are a
// server's.
func (c *Credentials) ClientHandshake(context.Context, string, net.Conn) (net.Conn, credentials.AuthInfo, error) {
	return nil, nil, errors.New("these credentials only listen")
}

// Info implements credentials.TransportCredentials.
func (c *Credentials) Info() credentials.ProtocolInfo {
	return credentials.ProtocolInfo{SecurityProtocol: "tls"}
}

// Clone implements credentials.TransportCredentials.
func (c *Credentials) Clone() credentials.TransportCredentials {
	d := *c
	return &d
}

// OverrideServerName implements credentials.TransportCredentials; a server has
// none.
func (*Credentials) OverrideServerName(string) error { return nil }

// Practice is a laptop's side of a link: it shows its own key and takes only a
// server whose certificate the pinned authority signed.
func Practice(device ed25519.PrivateKey, pinned *x509.Certificate) (credentials.TransportCredentials, error) {
	own, err := Device(device)
	if err != nil {
		return nil, err
	}
	key, ok := pinned.PublicKey.(ed25519.PublicKey)
	if !ok {
		return nil, ErrNotOurs
	}
	by := func(print string) credentials.TransportCredentials {
		cfg := base()
		cfg.ServerName, cfg.RootCAs = nameOf(practiceName, print), x509.NewCertPool()
		cfg.RootCAs.AddCert(pinned)
		cfg.Certificates = []tls.Certificate{own}
		return credentials.NewTLS(cfg)
	}
	return calls{by(Print(key)), by(""), &atomic.Bool{}}, nil
}

// Joining is a stranger's side of a link.
type Joining struct {
	// Print is the practice that the one-time code names; empty: asked by the bare name, as
	// a server of before needs it.
	Print string
	Fits  func(authority ed25519.PublicKey) bool
	// Shown is told the authority and the key of this link's certificate.
	Shown func(authority, server ed25519.PublicKey)
	// Before is told of a server of before, which knows the bare name alone.
	Before func()
}

// Enrolment gives the credentials of a stranger. They take a server whose authority fits.
func Enrolment(j Joining) credentials.TransportCredentials {
	cfg := base()
	cfg.ServerName = nameOf(enrolName, j.Print)
	// The authority is not known yet: the one-time code names it, and VerifyConnection
	// checks the whole chain against that.
	cfg.InsecureSkipVerify = true // #nosec G402 -- VerifyConnection checks more than the default
	cfg.VerifyConnection = func(s tls.ConnectionState) error {
		if len(s.PeerCertificates) != 2 {
			return ErrNotOurs
		}
		root, authority, err := ParseCertificate(s.PeerCertificates[1].Raw)
		if err != nil {
			return err
		}
		if !j.Fits(authority) {
			return ErrOtherAuthority
		}
		server, err := checkServer(s.PeerCertificates[0], root, cfg.ServerName)
		if other := (x509.HostnameError{}); errors.As(err, &other) && j.Before != nil {
			j.Before()
		}
		if err == nil {
			j.Shown(authority, server)
		}
		return err
	}
	return credentials.NewTLS(cfg)
}

// ErrOtherAuthority is a server of another practice than the code's.
var ErrOtherAuthority = errors.New("this server belongs to another practice than the code names")

func checkServer(leaf, root *x509.Certificate, name string) (ed25519.PublicKey, error) {
	pool := x509.NewCertPool()
	pool.AddCert(root)
	_, err := leaf.Verify(x509.VerifyOptions{
		DNSName: name, Roots: pool, CurrentTime: checkedAt, KeyUsages: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
	})
	key, ok := leaf.PublicKey.(ed25519.PublicKey)
	if err != nil || !ok {
		return nil, fmt.Errorf("%w: %w", ErrNotOurs, err)
	}
	return key, nil
}

// Local is a command's side of a TLS link to a daemon of the same user, which
// wrote down the key that it shows.
func Local(pinned ed25519.PublicKey) credentials.TransportCredentials {
	cfg := base()
	cfg.ServerName = localName
	// The daemon's own file names its key; there is no authority to ask.
	cfg.InsecureSkipVerify = true // #nosec G402 -- VerifyConnection checks more than the default
	cfg.VerifyConnection = func(s tls.ConnectionState) error {
		key, ok := s.PeerCertificates[0].PublicKey.(ed25519.PublicKey)
		if !ok || !bytes.Equal(key, pinned) {
			return errors.New("another program answers at this address")
		}
		return nil
	}
	return credentials.NewTLS(cfg)
}
