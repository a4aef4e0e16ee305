package agent_test

import (
	"bytes"
	"context"
	"log/slog"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"

	"thawtrail/agent"
	"thawtrail/internal/clock"
	"thawtrail/internal/testrun"
	"thawtrail/internal/trust/invite"
	"thawtrail/internal/trust/local"
	"thawtrail/internal/trust/vault"
	"thawtrail/internal/wholefile"
	pb "thawtrail/proto/thawtrail/v1"
	"thawtrail/server"
)

// cheap is the cost of passphrases in tests; the arithmetic is the same.
var cheap = vault.Cost{Passes: 1, MemoryKiB: 64, Lanes: 1}

const passphrase = "abbey acorn actor adobe alarm"

// secret is the passphrase of every folder of a test.
func secret(t *testing.T) *vault.Secret {
	t.Helper()
	s, err := vault.Passphrase(passphrase)
	require.NoError(t, err)
	return &s
}

// clinic is a real server on loopback, begun with its first owner.
type clinic struct {
	t       *testing.T
	dir     string
	addr    string
	log     *said
	stop    func()
	sheet   string           // its recovery sheet
	time    clock.Clock      // nil: the machine's
	metrics string           // where its metrics can be read; nowhere when empty
	conn    *grpc.ClientConn // of its own user
	hub     pb.HubServiceClient
}

// said collects what a program logs.
type said struct {
	mu sync.Mutex
	bytes.Buffer
}

func (s *said) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.Buffer.Write(p)
}

func (s *said) text() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.Buffer.String()
}

func (s *said) logger() *slog.Logger { return slog.New(slog.NewTextHandler(s, nil)) }

func newClinic(t *testing.T) *clinic {
	t.Helper()
	c := &clinic{t: t, dir: t.TempDir(), log: &said{}}
	begun, err := server.Init(t.Context(), server.InitConfig{
		Data: c.dir, Secret: secret(t), Cost: cheap, Practice: "Alder Creek Equine", Zone: "Australia/Sydney", Currency: "AUD", Owner: "M. Alder",
	})
	require.NoError(t, err)
	c.sheet = begun.Sheet
	c.start(testrun.Address(c.t))
	return c
}

func (c *clinic) start(listen string) {
	c.t.Helper()
	c.addr, c.stop = run(c.t, func(ctx context.Context, ready func(string)) error {
		return server.Run(ctx, server.Config{
			Data: c.dir, Secret: secret(c.t), Listen: listen, Ready: ready, Log: c.log.logger(), StateEvery: 20 * time.Millisecond, Clock: c.time, Metrics: c.metrics,
		})
	})
	c.conn = dial(c.t, c.dir)
	c.hub = pb.NewHubServiceClient(c.conn)
}

// run starts a program in this process and waits until it is ready. The stop
// function may be called once more at the end of the test.
func run(t *testing.T, main func(context.Context, func(string)) error) (addr string, stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	ready, ended := make(chan string, 1), make(chan error, 1)
	go func() { ended <- main(ctx, func(a string) { ready <- a }) }()
	stop = sync.OnceFunc(func() {
		cancel()
		require.NoError(t, <-ended)
	})
	select {
	case addr = <-ready:
	case err := <-ended:
		cancel()
		require.NoError(t, err, "it ended before it was ready")
	}
	t.Cleanup(stop)
	return addr, stop
}

// dial goes through the door of the daemon on a folder.
func dial(t *testing.T, dir string) *grpc.ClientConn {
	t.Helper()
	door, err := local.OfData(dir)
	require.NoError(t, err)
	target, options := door.Target()
	conn, err := grpc.NewClient(target, options...)
	require.NoError(t, err)
	t.Cleanup(func() { _ = conn.Close() })
	return conn
}

func (c *clinic) invite(person string, roles ...pb.Role) invite.Code {
	c.t.Helper()
	answer, err := c.hub.Invite(c.t.Context(), &pb.InviteRequest{Person: person, Roles: roles})
	require.NoError(c.t, err)
	code, err := invite.ParseCode(answer.Code)
	require.NoError(c.t, err)
	return code
}

// laptop is a real agent.
type laptop struct {
	t      *testing.T
	dir    string
	name   string
	server string
	log    *said
	time   clock.Clock // nil: the machine's
	stop   func()
	conn   *grpc.ClientConn
	record pb.RecordServiceClient
	audit  pb.AuditServiceClient
}

func newLaptop(t *testing.T, name string) *laptop {
	t.Helper()
	l := &laptop{t: t, dir: t.TempDir(), name: name, log: &said{}}
	_, err := vault.Create(wholefile.Folder(l.dir), secret(t), cheap, bytes.NewReader(bytes.Repeat([]byte(name), 100)))
	require.NoError(t, err)
	return l
}

func (l *laptop) config() agent.Config {
	return agent.Config{Data: l.dir, Secret: secret(l.t), Name: l.name, Server: l.server, Listen: "127.0.0.1:0", Log: l.log.logger(), Clock: l.time}
}

func (l *laptop) start() {
	l.t.Helper()
	_, l.stop = run(l.t, l.main)
	l.conn = dial(l.t, l.dir)
	l.record, l.audit = pb.NewRecordServiceClient(l.conn), pb.NewAuditServiceClient(l.conn)
}

// main is the agent's program.
func (l *laptop) main(ctx context.Context, ready func(string)) error {
	cfg := l.config()
	cfg.Ready = ready
	return agent.Run(ctx, cfg)
}

// join enrols a laptop and starts it.
func (c *clinic) join(name, person string, roles ...pb.Role) *laptop {
	c.t.Helper()
	l := newLaptop(c.t, name)
	l.server = c.addr
	c.enrol(l, person, roles...)
	return l
}

func (c *clinic) enrol(l *laptop, person string, roles ...pb.Role) {
	c.t.Helper()
	_, err := agent.Enrol(c.t.Context(), l.config(), c.invite(person, roles...))
	require.NoError(c.t, err)
	l.start()
}

// joinBy joins a laptop by a code as people read it, and starts it.
func (c *clinic) joinBy(name, text string) *laptop {
	c.t.Helper()
	code, err := invite.ParseCode(text)
	require.NoError(c.t, err)
	l := newLaptop(c.t, name)
	l.server = c.addr
	_, err = agent.Enrol(c.t.Context(), l.config(), code)
	require.NoError(c.t, err)
	l.start()
	return l
}

func (l *laptop) state() string {
	l.t.Helper()
	answer, err := l.audit.GetStatus(l.t.Context(), &pb.GetStatusRequest{})
	require.NoError(l.t, err)
	return answer.Link
}

func digest(t *testing.T, conn *grpc.ClientConn) string {
	t.Helper()
	answer, err := pb.NewAuditServiceClient(conn).GetDigest(t.Context(), &pb.GetDigestRequest{})
	require.NoError(t, err)
	return answer.Digest
}

// eventually waits for something to come true.
func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	require.Eventually(t, ok, 30*time.Second, 5*time.Millisecond, what)
}

// same waits until a laptop knows what the clinic knows.
func (c *clinic) same(l *laptop) {
	c.t.Helper()
	eventually(c.t, l.name+" has the clinic's digest", func() bool { return digest(c.t, c.conn) == digest(c.t, l.conn) })
}

func place(name string) *pb.WriteRequest {
	return &pb.WriteRequest{Entry: &pb.Entry{Body: &pb.Entry_PlaceAdded{PlaceAdded: &pb.PlaceAdded{Name: name, Kind: pb.PlaceKind_PLACE_KIND_FREEZER}}}}
}
