package authority

import (
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"net"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"google.golang.org/grpc/credentials"

	"thawtrail/internal/trust/transcript"
)

// Names that a client asks for, after a label of the practice. The domain is reserved and
// resolves nowhere (RFC 2606). Alone they are what laptops of before ask for.
const (
	practiceName = "practice.thawtrail.invalid"
	enrolName    = "enrol.thawtrail.invalid"
	localName    = "local.thawtrail.invalid"
)

// PrintChars is the length of a Print.
const PrintChars = 9

// Print is what a practice is known by before anything else of it is: the first 45 bits of
// its authority's fingerprint, as characters. One-time codes have it, and in server names
// it tells the practices of one process apart.
func Print(authority ed25519.PublicKey) string {
	sum := sha256.Sum256(append([]byte("thawtrail authority 1\x00"), authority...))
	return transcript.Base32(sum[:])[:PrintChars]
}

// nameOf is a name that asks for one practice. No print: the name of before.
func nameOf(kind, print string) string {
	if print == "" {
		return kind
	}
	return strings.ToLower(print) + "." + kind
}

// kindOf is what a name asks of the server with this certificate: one of the kinds, empty
// for a name that is not its own.
func kindOf(name string, leaf *x509.Certificate) string {
	if name = strings.ToLower(name); !slices.Contains(leaf.DNSNames, name) {
		return ""
	}
	for _, kind := range []string{practiceName, enrolName, localName} {
		if name == kind || strings.HasSuffix(name, "."+kind) {
			return kind
		}
	}
	return ""
}

// Asked is what a link asks for, as its first message says.
type Asked struct {
	// Print is the practice, as Print gives it; empty for a laptop of before.
	Print string
	// OfPractice says that a laptop asks, to exchange or to join.
	OfPractice bool
}

// helloWithin bounds how long a link may take to say what it asks for.
const helloWithin = 10 * time.Second

// errHeard ends a handshake that was only to be heard.
var errHeard = errors.New("the first message was heard")

// Hear reads the first message of a link and answers nothing. The link that it gives begins
// anew, from its first byte.
func Hear(conn net.Conn) (Asked, net.Conn, error) {
	if err := conn.SetReadDeadline(time.Now().Add(helloWithin)); err != nil {
		return Asked{}, nil, err
	}
	h := &heard{Conn: conn}
	name := ""
	err := tls.Server(h, &tls.Config{MinVersion: tls.VersionTLS13, GetConfigForClient: func(hello *tls.ClientHelloInfo) (*tls.Config, error) {
		name = hello.ServerName
		return nil, errHeard
	}}).Handshake()
	if !errors.Is(err, errHeard) {
		return Asked{}, nil, err
	}
	h.again = true
	return askedBy(strings.ToLower(name)), h, conn.SetReadDeadline(time.Time{})
}

func askedBy(name string) (a Asked) {
	for _, kind := range []string{practiceName, enrolName} {
		label, ofKind := strings.CutSuffix(name, kind)
		if !ofKind {
			continue
		}
		if label, dot := strings.CutSuffix(label, "."); label == "" || dot && len(label) == PrintChars {
			return Asked{Print: strings.ToUpper(label), OfPractice: true}
		}
	}
	return Asked{}
}

// heard is a link of which the beginning was read: what was read comes once more.
type heard struct {
	net.Conn
	begun []byte
	again bool
}

// Read implements net.Conn.
func (h *heard) Read(b []byte) (int, error) {
	if h.again && len(h.begun) > 0 {
		n := copy(b, h.begun)
		h.begun = h.begun[n:]
		return n, nil
	}
	n, err := h.Conn.Read(b)
	if !h.again {
		h.begun = append(h.begun, b[:n]...) // crypto/tls bounds the message
	}
	return n, err
}

// Write implements net.Conn: while the link is only heard, nothing is answered.
func (h *heard) Write(b []byte) (int, error) {
	if !h.again {
		return len(b), nil
	}
	return h.Conn.Write(b)
}

// CloseWrite ends one direction, where the link can.
func (h *heard) CloseWrite() error {
	if c, ok := h.Conn.(interface{ CloseWrite() error }); ok {
		return c.CloseWrite()
	}
	return h.Conn.Close()
}

// calls is a laptop's side of its links. It asks for its practice by name; a server of
// before knows the bare name alone, and shows that by its certificate.
type calls struct {
	credentials.TransportCredentials // by name
	bare                             credentials.TransportCredentials
	before                           *atomic.Bool
}

// ClientHandshake implements credentials.TransportCredentials. One that fails for the name
// is made again, by gRPC, with the other. What gRPC gives as authority is the first name.
func (c calls) ClientHandshake(ctx context.Context, authority string, raw net.Conn) (net.Conn, credentials.AuthInfo, error) {
	if c.before.Load() {
		conn, info, err := c.bare.ClientHandshake(ctx, practiceName, raw)
		if err != nil {
			c.before.Store(false)
		}
		return conn, info, err
	}
	conn, info, err := c.TransportCredentials.ClientHandshake(ctx, authority, raw)
	if other := (x509.HostnameError{}); errors.As(err, &other) {
		c.before.Store(true)
	}
	return conn, info, err
}

// Clone implements credentials.TransportCredentials.
func (c calls) Clone() credentials.TransportCredentials { return c }
