package authority

import (
	"context"
	"crypto/ed25519"
	"crypto/tls"
	"crypto/x509"
	"io"
	"net"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
)

// ofBefore is the certificate of a server that knows no names of practices.
func ofBefore(t *testing.T, root ed25519.PrivateKey) tls.Certificate {
	t.Helper()
	own := newKey(t)
	signer, err := Certificate(root)
	require.NoError(t, err)
	leaf := template("thawtrail server", Public(own))
	leaf.DNSNames = []string{practiceName, enrolName, localName}
	leaf.KeyUsage, leaf.ExtKeyUsage = x509.KeyUsageDigitalSignature, []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}
	signed, err := sign(leaf, signer, Public(own), root)
	require.NoError(t, err)
	return tls.Certificate{Certificate: [][]byte{signed.Raw, signer.Raw}, PrivateKey: own, Leaf: signed}
}

// A laptop asks for its practice by name, and a server of before is asked by the name that
// it knows; when that server is a newer one later, by its own name again.
func TestALaptopCallsItsPracticeByName(t *testing.T) {
	c := newClinic(t)
	device := newKey(t)
	c.members.set(Public(device), true)
	now := c.cert
	creds := c.practice(device).(calls)
	called := func(why string) {
		t.Helper()
		ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
		defer cancel()
		_, err := healthpb.NewHealthClient(c.dial(creds)).Check(ctx, &healthpb.HealthCheckRequest{}, grpc.WaitForReady(true))
		require.NoError(t, err, why)
	}
	called("by name")
	require.False(t, creds.before.Load())
	c.setCert(ofBefore(t, c.root))
	called("by the bare name")
	require.True(t, creds.before.Load())
	c.setCert(now)
	called("a newer server knows the bare name too")

	require.NoError(t, c.call(c.clientWith(func(cfg *tls.Config) {
		own, err := Device(device)
		require.NoError(t, err)
		cfg.Certificates = []tls.Certificate{own}
	})), "a laptop of before")
}

// A laptop that joins learns that the server is one of before.
func TestJoiningAServerOfBefore(t *testing.T) {
	c := newClinic(t)
	before, shown := 0, 0
	creds := func(print string) Joining {
		return Joining{Print: print, Fits: func(ed25519.PublicKey) bool { return true }, Shown: func(_, _ ed25519.PublicKey) { shown++ }, Before: func() { before++ }}
	}
	print := Print(Public(c.root))
	require.Error(t, c.call(Enrolment(creds(print))), "health is not of the services for strangers here")
	require.Equal(t, []int{0, 1}, []int{before, shown})
	c.setCert(ofBefore(t, c.root))
	require.ErrorContains(t, c.call(Enrolment(creds(print))), ErrNotOurs.Error())
	require.Equal(t, []int{1, 1}, []int{before, shown})
	require.Error(t, c.call(Enrolment(creds(""))))
	require.Equal(t, []int{1, 2}, []int{before, shown})
}

// What a link asks for is heard without an answer, and the link goes on as if nobody had
// listened.
func TestHear(t *testing.T) {
	root, own := newKey(t), newKey(t)
	cert, err := Server(root, own)
	require.NoError(t, err)
	print := Print(Public(root))
	for name, want := range map[string]Asked{
		nameOf(practiceName, print):       {Print: print, OfPractice: true},
		nameOf(enrolName, print):          {Print: print, OfPractice: true},
		practiceName:                      {OfPractice: true},
		enrolName:                         {OfPractice: true},
		localName:                         {},
		"clinic.example":                  {},
		"":                                {},
		"x" + practiceName:                {},
		"a.b." + practiceName:             {},
		"tooshort." + practiceName:        {},
		"0123456789abcdef." + enrolName:   {},
		"PRACTICE.THAWTRAIL.INVALID":      {OfPractice: true},
		"practice.thawtrail.invalid.evil": {},
	} {
		here, there := net.Pipe()
		failed := make(chan error, 1)
		go func() {
			conn := tls.Client(there, &tls.Config{ServerName: name, InsecureSkipVerify: true, NextProtos: protocols}) // #nosec G402
			_, err := io.WriteString(conn, "good evening")
			failed <- err
		}()
		asked, conn, err := Hear(here)
		require.NoError(t, err, name)
		require.Equal(t, want, asked, name)
		answer := tls.Server(conn, &tls.Config{Certificates: []tls.Certificate{cert}, MinVersion: tls.VersionTLS13, NextProtos: protocols})
		said := make([]byte, len("good evening"))
		_, err = io.ReadFull(answer, said)
		require.NoError(t, err, name)
		require.Equal(t, "good evening", string(said))
		require.NoError(t, <-failed)
		require.NoError(t, here.Close())
	}
}

func FuzzHear(f *testing.F) {
	f.Add([]byte{22, 3, 1, 0, 5, 1, 0, 0, 1, 0})
	f.Add([]byte("PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n"))
	f.Fuzz(func(t *testing.T, first []byte) {
		here, there := net.Pipe()
		defer here.Close()
		go func() {
			_, _ = there.Write(first)
			_ = there.Close()
		}()
		asked, _, err := Hear(here)
		if err == nil && asked.Print != "" && len(asked.Print) != PrintChars {
			t.Errorf("%q", asked.Print)
		}
	})
}
