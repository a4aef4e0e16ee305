package bench

import (
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"errors"
	"io"
	"math/big"
	"net"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"

	"thawtrail/internal/clock"
)

// A bare gRPC service with one stream that carries any message.

const (
	bareMethod = "/thawtrail.bench.Bare/Stream"
	bareWindow = 1 << 20
	bareMost   = 4 << 20
)

var bareStream = grpc.StreamDesc{StreamName: "Stream", ServerStreams: true, ClientStreams: true}

func bareServer(creds credentials.TransportCredentials, handler func(grpc.ServerStream) error) *grpc.Server {
	s := grpc.NewServer(grpc.Creds(creds), grpc.InitialWindowSize(bareWindow), grpc.InitialConnWindowSize(bareWindow),
		grpc.MaxRecvMsgSize(bareMost), grpc.MaxSendMsgSize(bareMost))
	desc := bareStream
	desc.Handler = func(_ any, stream grpc.ServerStream) error { return handler(stream) }
	s.RegisterService(&grpc.ServiceDesc{ServiceName: "thawtrail.bench.Bare", HandlerType: (*any)(nil), Streams: []grpc.StreamDesc{desc}}, nil)
	return s
}

func bareDial(addr string, creds credentials.TransportCredentials) (*grpc.ClientConn, error) {
	return grpc.NewClient("passthrough:///"+addr, grpc.WithTransportCredentials(creds),
		grpc.WithInitialWindowSize(bareWindow), grpc.WithInitialConnWindowSize(bareWindow),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(bareMost), grpc.MaxCallSendMsgSize(bareMost)))
}

// openBare opens the stream once the connection stands.
func openBare(ctx context.Context, conn *grpc.ClientConn) (grpc.ClientStream, error) {
	return conn.NewStream(ctx, &bareStream, bareMethod, grpc.WaitForReady(true))
}

// ended is nil when the other half closed the stream or went away.
func ended(err error) error {
	if errors.Is(err, io.EOF) || status.Code(err) == codes.Canceled || status.Code(err) == codes.Unavailable {
		return nil
	}
	return err
}

// plainLink is loopback without TLS.
func plainLink() bareLink {
	return bareLink{name: "plain", server: insecure.NewCredentials(), client: insecure.NewCredentials()}
}

// tlsLink is mutual TLS 1.3 with a fresh Ed25519 certificate on each side.
func tlsLink() (bareLink, error) {
	server, err := selfSigned("bench server")
	if err != nil {
		return bareLink{}, err
	}
	client, err := selfSigned("bench client")
	if err != nil {
		return bareLink{}, err
	}
	return bareLink{
		name: "mutual TLS",
		server: credentials.NewTLS(&tls.Config{Certificates: []tls.Certificate{server}, ClientCAs: pool(client),
			ClientAuth: tls.RequireAndVerifyClientCert, MinVersion: tls.VersionTLS13}),
		client: credentials.NewTLS(&tls.Config{Certificates: []tls.Certificate{client}, RootCAs: pool(server), MinVersion: tls.VersionTLS13, ServerName: "127.0.0.1"}),
	}, nil
}

func pool(c tls.Certificate) *x509.CertPool {
	p := x509.NewCertPool()
	p.AddCert(c.Leaf)
	return p
}

func selfSigned(name string) (tls.Certificate, error) {
	public, private, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		return tls.Certificate{}, err
	}
	now := clock.System{}.Now()
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: name}, NotBefore: now.Add(-time.Hour), NotAfter: now.Add(24 * time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, public, private)
	if err != nil {
		return tls.Certificate{}, err
	}
	leaf, err := x509.ParseCertificate(der)
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: private, Leaf: leaf}, err
}
