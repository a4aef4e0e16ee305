package authority

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"
)

// list is a practice's devices.
type list struct {
	mu   sync.Mutex
	keys map[string]bool
}

func (l *list) Admitted(k ed25519.PublicKey) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.keys[string(k)]
}

func (*list) Doubt() string { return "" }

func (l *list) set(k ed25519.PublicKey, in bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.keys[string(k)] = in
}

func newKey(t *testing.T) ed25519.PrivateKey {
	t.Helper()
	k, err := NewKey(rand.Reader)
	require.NoError(t, err)
	return k
}

// clinic is a listening server whose only service is health, open to devices.
type clinic struct {
	t       *testing.T
	root    ed25519.PrivateKey
	members *list
	links   *Links
	address string
	mu      sync.Mutex
	cert    tls.Certificate
}

func (c *clinic) setCert(cert tls.Certificate) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.cert = cert
}

func newClinic(t *testing.T, anyone ...string) *clinic {
	t.Helper()
	c := &clinic{t: t, root: newKey(t), members: &list{keys: map[string]bool{}}, links: &Links{}}
	cert, err := Server(c.root, newKey(t))
	require.NoError(t, err)
	c.cert = cert
	gate := &Gate{Members: c.members, Token: "secret", Device: []string{"grpc.health.v1.Health"}, Enrol: []string{"thawtrail.v1.EnrolService"}, Anyone: anyone}
	s := grpc.NewServer(
		grpc.Creds(&Credentials{Members: c.members, Links: c.links, Certificate: func() tls.Certificate {
			c.mu.Lock()
			defer c.mu.Unlock()
			return c.cert
		}}),
		grpc.UnaryInterceptor(gate.Unary), grpc.StreamInterceptor(gate.Stream), grpc.ConnectionTimeout(10*time.Second))
	healthpb.RegisterHealthServer(s, health.NewServer())
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	c.address = l.Addr().String()
	go func() { _ = s.Serve(l) }()
	t.Cleanup(s.Stop)
	return c
}

func (c *clinic) pinned() *x509.Certificate {
	root, err := Certificate(c.root)
	require.NoError(c.t, err)
	return root
}

// call makes one call over the given link.
func (c *clinic) call(creds credentials.TransportCredentials, more ...grpc.DialOption) error {
	c.t.Helper()
	conn := c.dial(creds, more...)
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	_, err := healthpb.NewHealthClient(conn).Check(ctx, &healthpb.HealthCheckRequest{})
	return err
}

func (c *clinic) dial(creds credentials.TransportCredentials, more ...grpc.DialOption) *grpc.ClientConn {
	conn, err := grpc.NewClient("passthrough:///"+c.address, append(more, grpc.WithTransportCredentials(creds))...)
	require.NoError(c.t, err)
	c.t.Cleanup(func() { _ = conn.Close() })
	return conn
}

func (c *clinic) practice(device ed25519.PrivateKey) credentials.TransportCredentials {
	creds, err := Practice(device, c.pinned())
	require.NoError(c.t, err)
	return creds
}

// clientWith is a client that gets one thing wrong.
func (c *clinic) clientWith(change func(*tls.Config)) credentials.TransportCredentials {
	own, err := Device(newKey(c.t))
	require.NoError(c.t, err)
	cfg := base()
	cfg.ServerName, cfg.RootCAs, cfg.Certificates = practiceName, x509.NewCertPool(), []tls.Certificate{own}
	cfg.RootCAs.AddCert(c.pinned())
	change(cfg)
	return credentials.NewTLS(cfg)
}

func TestWhoGetsIn(t *testing.T) {
	c := newClinic(t)
	device := newKey(t)
	c.members.set(Public(device), true)
	require.NoError(t, c.call(c.practice(device)), "an admitted laptop")

	rsaLike, err := tls.X509KeyPair(ecdsaPair(t))
	require.NoError(t, err)
	for name, creds := range map[string]credentials.TransportCredentials{
		"a stranger's key":    c.practice(newKey(t)),
		"plain text":          insecure.NewCredentials(),
		"no certificate":      c.clientWith(func(cfg *tls.Config) { cfg.Certificates = nil }),
		"TLS 1.2":             c.clientWith(func(cfg *tls.Config) { cfg.MinVersion, cfg.MaxVersion = tls.VersionTLS12, tls.VersionTLS12 }),
		"another kind of key": c.clientWith(func(cfg *tls.Config) { cfg.Certificates = []tls.Certificate{rsaLike} }),
		// Another's certificate without the key that belongs to it.
		"a borrowed certificate": c.clientWith(func(cfg *tls.Config) {
			own, err := Device(device)
			require.NoError(t, err)
			own.PrivateKey = newKey(t)
			cfg.Certificates = []tls.Certificate{own}
		}),
	} {
		require.Error(t, c.call(creds), name)
	}
	require.Zero(t, strangersOf(c.links))
}

// A plain probe, from anywhere, under whatever name it knows this machine by: it learns
// that the program is up, and nothing else opens to it.
func TestAProbeKnowsNoInternalName(t *testing.T) {
	c := newClinic(t)
	probe := func(name string) credentials.TransportCredentials {
		return credentials.NewTLS(&tls.Config{ServerName: name, InsecureSkipVerify: true}) // #nosec G402 -- as a monitor does
	}
	require.Equal(t, codes.PermissionDenied, status.Code(c.call(probe("clinic.example"))), "what is open to laptops is shut to a probe")
	c = newClinic(t, healthpb.Health_ServiceDesc.ServiceName)
	for _, name := range []string{"", "clinic.example", "192.0.2.7"} {
		require.NoError(t, c.call(probe(name)), name)
	}
	require.Zero(t, strangersOf(c.links), "probes take no place of a laptop that joins")
	var open []*tls.Conn
	for range maxProbes {
		conn, err := tls.Dial("tcp", c.address, &tls.Config{InsecureSkipVerify: true, NextProtos: protocols}) // #nosec G402
		require.NoError(t, err)
		open = append(open, conn)
	}
	require.Error(t, c.call(probe("")), "places of probes are counted")
	device := newKey(t)
	c.members.set(Public(device), true)
	require.NoError(t, c.call(c.practice(device)), "a laptop is not kept out by them")
	for _, conn := range open {
		require.NoError(t, conn.Close())
	}
	require.Eventually(t, func() bool { return c.call(probe("")) == nil }, 20*time.Second, 10*time.Millisecond)
}

func strangersOf(l *Links) int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.strangers
}

func TestALaptopTakesOnlyItsPracticesServer(t *testing.T) {
	c := newClinic(t)
	device := newKey(t)
	c.members.set(Public(device), true)

	// The server's key is replaced: nobody joins again.
	fresh, err := Server(c.root, newKey(t))
	require.NoError(t, err)
	c.setCert(fresh)
	require.NoError(t, c.call(c.practice(device)))

	false1, err := Server(newKey(t), newKey(t))
	require.NoError(t, err)
	c.setCert(false1)
	require.Error(t, c.call(c.practice(device)), "another practice's server")

	stolen, err := Device(device)
	require.NoError(t, err)
	c.setCert(stolen)
	require.Error(t, c.call(c.practice(device)), "a laptop that plays the server")

	// Signed by the authority, but not for a server.
	leaf := template("thawtrail server", Public(device))
	leaf.DNSNames, leaf.KeyUsage, leaf.ExtKeyUsage = []string{practiceName}, x509.KeyUsageDigitalSignature, []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}
	signed, err := sign(leaf, c.pinned(), Public(device), c.root)
	require.NoError(t, err)
	c.setCert(tls.Certificate{Certificate: [][]byte{signed.Raw, c.pinned().Raw}, PrivateKey: device, Leaf: signed})
	require.Error(t, c.call(c.practice(device)), "a certificate for another purpose")
}

func TestStrangersReachEnrolmentAlone(t *testing.T) {
	c := newClinic(t)
	var seen []ed25519.PublicKey
	creds := Enrolment(Joining{
		Print: Print(Public(c.root)), Fits: func(a ed25519.PublicKey) bool { return a.Equal(Public(c.root)) },
		Shown: func(a, s ed25519.PublicKey) { seen = append(seen, a, s) },
	})
	require.Equal(t, codes.PermissionDenied, status.Code(c.call(creds)))
	require.Equal(t, []ed25519.PublicKey{Public(c.root), c.cert.Leaf.PublicKey.(ed25519.PublicKey)}, seen)

	other := Enrolment(Joining{Fits: func(ed25519.PublicKey) bool { return false }, Shown: func(_, _ ed25519.PublicKey) { t.Error("shown") }})
	require.ErrorContains(t, c.call(other), ErrOtherAuthority.Error())
}

func TestLocalCallersNeedTheToken(t *testing.T) {
	c := newClinic(t)
	key := c.cert.Leaf.PublicKey.(ed25519.PublicKey)
	require.Equal(t, codes.Unauthenticated, status.Code(c.call(Local(key))))
	require.NoError(t, c.call(Local(key), grpc.WithPerRPCCredentials(header{TokenHeader: "secret"})))
	for _, wrong := range []string{"", "secre", "secret "} {
		require.Equal(t, codes.Unauthenticated, status.Code(c.call(Local(key), grpc.WithPerRPCCredentials(header{TokenHeader: wrong}))), "%q", wrong)
	}
	require.Error(t, c.call(Local(Public(newKey(t)))), "another program at the address")
}

type header map[string]string

func (h header) GetRequestMetadata(context.Context, ...string) (map[string]string, error) {
	return h, nil
}
func (header) RequireTransportSecurity() bool { return false }

// TestRevocationCutsLiveStreams holds a stream open and shuts its laptop out.
func TestRevocationCutsLiveStreams(t *testing.T) {
	c := newClinic(t)
	device, stays := newKey(t), newKey(t)
	c.members.set(Public(device), true)
	c.members.set(Public(stays), true)
	watch := func(k ed25519.PrivateKey) grpc.ServerStreamingClient[healthpb.HealthCheckResponse] {
		s, err := healthpb.NewHealthClient(c.dial(c.practice(k))).Watch(t.Context(), &healthpb.HealthCheckRequest{})
		require.NoError(t, err)
		_, err = s.Recv()
		require.NoError(t, err)
		return s
	}
	gone, kept := watch(device), watch(stays)
	require.Equal(t, 2, c.links.Len())

	c.members.set(Public(device), false)
	require.Equal(t, 1, c.links.Sweep(c.members))
	_, err := gone.Recv()
	require.Equal(t, codes.Unavailable, status.Code(err))
	require.Error(t, c.call(c.practice(device)))
	require.Equal(t, 1, c.links.Len())
	require.NoError(t, c.call(c.practice(stays)))

	require.Positive(t, c.links.Kick(Public(stays)))
	_, err = kept.Recv()
	require.Error(t, err)
	require.NoError(t, c.call(c.practice(stays)), "only its links were cut")
}

// TestAnAdmittedLaptopIsLookedUpAtEachCall: the link is left open on purpose.
func TestAnAdmittedLaptopIsLookedUpAtEachCall(t *testing.T) {
	c := newClinic(t)
	device := newKey(t)
	c.members.set(Public(device), true)
	client := healthpb.NewHealthClient(c.dial(c.practice(device)))
	_, err := client.Check(t.Context(), &healthpb.HealthCheckRequest{})
	require.NoError(t, err)
	c.members.set(Public(device), false)
	_, err = client.Check(t.Context(), &healthpb.HealthCheckRequest{})
	require.Equal(t, codes.PermissionDenied, status.Code(err))
}

func TestLinksOfOneDeviceAreBounded(t *testing.T) {
	c := newClinic(t)
	device := newKey(t)
	c.members.set(Public(device), true)
	for range maxOfDevice {
		require.NoError(t, c.call(c.practice(device)))
	}
	require.Error(t, c.call(c.practice(device)))
}

func TestCertificatesAreTheSameEachTime(t *testing.T) {
	root, server := newKey(t), newKey(t)
	a, err := Server(root, server)
	require.NoError(t, err)
	b, err := Server(root, server)
	require.NoError(t, err)
	require.Equal(t, a.Certificate, b.Certificate)
	_, key, err := ParseCertificate(a.Certificate[1])
	require.NoError(t, err)
	require.Equal(t, Public(root), key)
	_, _, err = ParseCertificate(a.Certificate[0])
	require.ErrorIs(t, err, ErrNotOurs)
	require.Equal(t, 9999, a.Leaf.NotAfter.Year())
}

// A row's check character is one of 36 of which reading makes three equal to
// others, so about one key in a hundred has a row that hides a slip from it. This
// key has none: what is refused by name here is refused by name always.
func TestTheSheetGivesTheKeyBack(t *testing.T) {
	key := ed25519.NewKeyFromSeed(bytes.Repeat([]byte{7}, ed25519.SeedSize))
	sheet := Sheet("Alder Creek Equine", key)
	got, err := FromSheet(sheet)
	require.NoError(t, err)
	require.Equal(t, key, got)
	got, err = FromSheet(strings.ToLower(strings.ReplaceAll(sheet, "0", "o")))
	require.NoError(t, err)
	require.Equal(t, key, got)

	_, err = FromSheet(swappedRows(sheet))
	require.ErrorContains(t, err, "rows 1, 2 of the sheet")
	_, err = FromSheet(slippedRow(sheet))
	require.ErrorContains(t, err, "row 4 of the sheet")

	lines, at := sheetLines(sheet)
	lines[at+2], _ = rowOf(Sheet("Another", newKey(t)), 2)
	_, err = FromSheet(strings.Join(lines, "\n"))
	require.ErrorContains(t, err, "belong together")
	_, err = FromSheet("nothing of the kind")
	require.ErrorContains(t, err, "0 rows")
}

// What a row's check character lets pass, the checksum of the fifth row catches:
// whatever the key, a sheet with a slip gives no key.
func TestNoKeyComesFromASheetWithASlip(t *testing.T) {
	for range 500 {
		sheet := Sheet("Alder Creek Equine", newKey(t))
		_, err := FromSheet(swappedRows(sheet))
		require.Error(t, err, sheet)
		_, err = FromSheet(slippedRow(sheet))
		require.Error(t, err, sheet)
	}
}

// sheetLines are the lines of a sheet and where its first row stands.
func sheetLines(sheet string) (lines []string, first int) {
	lines = strings.Split(sheet, "\n")
	return lines, slices.IndexFunc(lines, func(l string) bool { return strings.HasPrefix(l, "  1 ") })
}

// rowOf is one line of a sheet, rows counted from 0, and its characters alone.
func rowOf(sheet string, row int) (line, chars string) {
	lines, first := sheetLines(sheet)
	return lines[first+row], strings.TrimSpace(lines[first+row][4:])
}

func swappedRows(sheet string) string {
	lines, first := sheetLines(sheet)
	_, one := rowOf(sheet, 0)
	_, two := rowOf(sheet, 1)
	lines[first], lines[first+1] = "  1   "+two, "  2   "+one
	return strings.Join(lines, "\n")
}

// slippedRow misreads the first character of the fourth row.
func slippedRow(sheet string) string {
	lines, first := sheetLines(sheet)
	wrong := "Z"
	if lines[first+3][6] == 'Z' {
		wrong = "Y"
	}
	lines[first+3] = lines[first+3][:6] + wrong + lines[first+3][7:]
	return strings.Join(lines, "\n")
}

func FuzzParseCertificate(f *testing.F) {
	key := ed25519.NewKeyFromSeed(make([]byte, ed25519.SeedSize))
	root, err := Certificate(key)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(root.Raw)
	f.Fuzz(func(t *testing.T, der []byte) {
		if _, k, err := ParseCertificate(der); err == nil && len(k) != ed25519.PublicKeySize {
			t.Fatal("no key")
		}
	})
}

func FuzzFromSheet(f *testing.F) {
	f.Add(Sheet("Alder Creek Equine", ed25519.NewKeyFromSeed(make([]byte, ed25519.SeedSize))))
	f.Fuzz(func(t *testing.T, text string) {
		if k, err := FromSheet(text); err == nil {
			if again, err := FromSheet(Sheet("x", k)); err != nil || !again.Equal(k) {
				t.Fatal("another key came back")
			}
		}
	})
}
