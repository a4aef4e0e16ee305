package agent_test

import (
	"bufio"
	"context"
	"crypto/rand"
	"crypto/tls"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	proxyproto "github.com/pires/go-proxyproto"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"

	"thawtrail/agent"
	"thawtrail/internal/clock"
	"thawtrail/internal/node"
	"thawtrail/internal/store"
	"thawtrail/internal/testrun"
	"thawtrail/internal/trust"
	"thawtrail/internal/trust/invite"
	"thawtrail/internal/trust/vault"
	"thawtrail/internal/wholefile"
	pb "thawtrail/proto/thawtrail/v1"
	"thawtrail/server"
)

// host is one process that serves several practices.
type host struct {
	t       *testing.T
	dir     string
	addr    string
	metrics string
	log     *said
	stop    func()
}

// newHost begins practices and serves them.
func newHost(t *testing.T, names []string, change ...func(*server.HostConfig)) (*host, map[string]*clinic) {
	t.Helper()
	h := &host{t: t, dir: t.TempDir(), log: &said{}, metrics: testrun.Address(t)}
	for _, name := range names {
		h.begin(name)
	}
	h.start(testrun.Address(t), change...)
	clinics := map[string]*clinic{}
	for _, name := range names {
		clinics[name] = h.clinic(name)
	}
	return h, clinics
}

func (h *host) begin(name string) {
	h.t.Helper()
	_, err := server.Init(h.t.Context(), server.InitConfig{
		Data: filepath.Join(h.dir, name), Secret: secret(h.t), Cost: cheap, Practice: "Practice of " + name, Zone: "Australia/Sydney", Currency: "AUD", Owner: "M. Alder",
	})
	require.NoError(h.t, err)
}

func (h *host) start(listen string, change ...func(*server.HostConfig)) {
	h.t.Helper()
	h.addr, h.stop = run(h.t, func(ctx context.Context, ready func(string)) error {
		cfg := server.HostConfig{
			Practices: h.dir, Secret: func(string, wholefile.Names) (*vault.Secret, error) { return secret(h.t), nil }, Listen: listen, Metrics: h.metrics,
			Ready: func(addr string, _ int) { ready(addr) }, Log: h.log.logger(), StateEvery: 20 * time.Millisecond,
		}
		for _, c := range change {
			c(&cfg)
		}
		return server.Host(ctx, cfg)
	})
}

// clinic is one practice of the host, as its own machine's commands reach it.
func (h *host) clinic(name string) *clinic {
	h.t.Helper()
	c := &clinic{t: h.t, dir: filepath.Join(h.dir, name), addr: h.addr, log: h.log}
	c.conn = dial(h.t, c.dir)
	c.hub = pb.NewHubServiceClient(c.conn)
	return c
}

// measured reads one metric of the host; 0 when it is not there.
func (h *host) measured(name string) (value float64) {
	h.t.Helper()
	answer, err := http.Get("http://" + h.metrics + "/metrics")
	require.NoError(h.t, err)
	defer answer.Body.Close()
	for lines := bufio.NewScanner(answer.Body); lines.Scan(); {
		if rest, ok := strings.CutPrefix(lines.Text(), name+" "); ok {
			_, err := fmt.Sscan(rest, &value)
			require.NoError(h.t, err)
		}
	}
	return value
}

func (h *host) open() float64 { return h.measured("thawtrail_host_open_practices") }

// Two practices at one address: each laptop reaches its own, whatever else is there, and
// none learns a word of the other.
func TestOneProcessServesManyPractices(t *testing.T) {
	t.Parallel()
	h, clinics := newHost(t, []string{"north", "south"})
	north, south := clinics["north"], clinics["south"]
	require.Zero(t, h.open(), "a practice is opened when somebody asks for it")
	a, b := north.join("car of the north", "J. Reed", pb.Role_ROLE_CLINIC), south.join("car of the south", "K. Birch", pb.Role_ROLE_CLINIC)
	for l, name := range map[*laptop]string{a: "barn of the north", b: "barn of the south"} {
		_, err := l.record.Write(t.Context(), place(name))
		require.NoError(t, err)
	}
	north.same(a)
	south.same(b)
	require.NotEqual(t, digest(t, north.conn), digest(t, south.conn))
	require.Contains(t, north.places(), "barn of the north")
	require.NotContains(t, north.places(), "barn of the south")
	require.EqualValues(t, 2, h.open())
	require.NotZero(t, h.measured(`thawtrail_records{practice="north"}`), "each practice is measured by itself")
	require.EqualValues(t, 1, h.measured(`thawtrail_connected_laptops{practice="south"}`))

	// A laptop of the one with the name of the other: the certificate is of another practice.
	stray := newLaptop(t, "stray")
	stray.server = h.addr
	code := north.invite("L. Cole", pb.Role_ROLE_VET)
	_, err := agent.Enrol(t.Context(), stray.config(), code)
	require.NoError(t, err)
	require.Equal(t, codes.Unavailable, status.Code(pushAs(south, stray)), "south has never heard of it")

	// The host is stopped and started; laptops go on.
	h.stop()
	_, err = a.record.Write(t.Context(), place("barn in between"))
	require.NoError(t, err, "a laptop needs no server")
	h.start(h.addr)
	north = h.clinic("north")
	north.same(a)
	require.Contains(t, north.places(), "barn in between")
}

// pushAs pushes nothing to a clinic with the key of a laptop.
func pushAs(c *clinic, l *laptop) error {
	c.t.Helper()
	_, err := c.push(l.home().Device)
	return err
}

// A practice without links is closed, and open again for whoever asks: a laptop or a command
// of this machine.
func TestAPracticeIsClosedWhenNobodyAsks(t *testing.T) {
	t.Parallel()
	h, clinics := newHost(t, []string{"north", "south"}, func(c *server.HostConfig) { c.IdleAfter = 50 * time.Millisecond })
	north := clinics["north"]
	a := north.join("car", "J. Reed", pb.Role_ROLE_CLINIC)
	north.same(a)
	a.stop()
	require.NoError(t, north.conn.Close())
	eventually(t, "all are closed", func() bool { return h.open() == 0 })
	require.Zero(t, h.measured(`thawtrail_records{practice="north"}`), "what is closed is not measured")
	north = h.clinic("north")
	require.NotEmpty(t, north.roles("J. Reed"), "a command opens it")
	a.start()
	north.same(a)
}

// No more practices are open than the host may have: one without links makes room, and one
// with links does not.
func TestPracticesMakeRoom(t *testing.T) {
	t.Parallel()
	h, clinics := newHost(t, []string{"north", "south", "west"}, func(c *server.HostConfig) { c.MostOpen = 2 })
	at := map[string]*laptop{}
	for _, name := range []string{"north", "south", "west"} {
		at[name] = clinics[name].join("car of "+name, "J. Reed", pb.Role_ROLE_CLINIC)
		clinics[name].same(at[name])
		require.LessOrEqual(t, h.open(), 2.0)
		require.NoError(t, clinics[name].conn.Close())
		if name != "west" {
			at[name].stop()
		}
	}
	at["north"].start() // makes south close
	north := h.clinic("north")
	north.same(at["north"])
	require.NoError(t, north.conn.Close())
	require.EqualValues(t, 2, h.open())
	at["south"].start()
	eventually(t, "all places are taken", func() bool { return h.measured(`thawtrail_host_refused_links_total{reason="full"}`) > 0 })
	_, err := pb.NewAuditServiceClient(dial(t, filepath.Join(h.dir, "south"))).GetStatus(t.Context(), &pb.GetStatusRequest{})
	require.Equal(t, codes.Unavailable, status.Code(err))
	require.ErrorContains(t, err, "the practice south does not answer now: all places are taken by practices that have links: raise --open, or serve some elsewhere", "a person is told")
	at["north"].stop()
	eventually(t, "there is room again", func() bool { return at["south"].state() == at["west"].state() })
}

// A practice that is begun while the host runs is found by the first laptop that asks for
// it; a folder that is none is told of, and stops nobody.
func TestAPracticeIsBegunBesideOthers(t *testing.T) {
	t.Parallel()
	h, _ := newHost(t, []string{"north"})
	require.NoError(t, os.Mkdir(filepath.Join(h.dir, "no practice"), 0o700))
	h.begin("south")
	code := officeInvite(t, filepath.Join(h.dir, "south"))
	l := newLaptop(t, "car")
	l.server = h.addr
	eventually(t, "the new practice is found", func() bool {
		_, err := agent.Enrol(t.Context(), l.config(), code)
		return err == nil
	})
	l.start()
	h.clinic("south").same(l)
	require.Contains(t, h.log.text(), "no practice")
}

// Monitors ask whether the process is up, by any name, and learn nothing else. A laptop of
// before, which calls its practice by no name, reaches the one that was set for that.
func TestWhoCallsNoPractice(t *testing.T) {
	t.Parallel()
	h, clinics := newHost(t, []string{"north", "south"}, func(c *server.HostConfig) { c.Bare = "south" })
	conn, err := grpc.NewClient("passthrough:///"+h.addr, grpc.WithTransportCredentials(credentials.NewTLS(&tls.Config{InsecureSkipVerify: true}))) // #nosec G402 -- as a monitor does
	require.NoError(t, err)
	defer conn.Close()
	up, err := healthpb.NewHealthClient(conn).Check(t.Context(), &healthpb.HealthCheckRequest{})
	require.NoError(t, err)
	require.Equal(t, healthpb.HealthCheckResponse_SERVING, up.Status)
	_, err = pb.NewAuditServiceClient(conn).GetStatus(t.Context(), &pb.GetStatusRequest{})
	require.Equal(t, codes.Unimplemented, status.Code(err))

	for _, garbage := range []string{"", "GET / HTTP/1.1\r\n\r\n", "\x16\x03\x01\xff\xff"} {
		raw, err := net.Dial("tcp", h.addr)
		require.NoError(t, err)
		_, err = io.WriteString(raw, garbage)
		require.NoError(t, err)
		require.NoError(t, raw.Close())
	}
	bare := func() string {
		raw, err := tls.Dial("tcp", h.addr, &tls.Config{ServerName: "enrol.thawtrail.invalid", InsecureSkipVerify: true, NextProtos: []string{"h2"}}) // #nosec G402
		require.NoError(t, err)
		defer raw.Close()
		return string(raw.ConnectionState().PeerCertificates[1].Raw)
	}
	root, err := clinics["south"].rootOf()
	require.NoError(t, err)
	require.Equal(t, string(root), bare())
}

// Behind a balancer each connection says whose it is, and one that does not is not taken.
func TestBehindABalancer(t *testing.T) {
	t.Parallel()
	h, clinics := newHost(t, []string{"north"}, func(c *server.HostConfig) {
		c.Balancers = []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8")}
	})
	balancer, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer balancer.Close()
	go func() {
		for {
			in, err := balancer.Accept()
			if err != nil {
				return
			}
			out, err := net.Dial("tcp", h.addr)
			if err != nil {
				_ = in.Close()
				continue
			}
			header := proxyproto.HeaderProxyFromAddrs(2, &net.TCPAddr{IP: net.IPv4(192, 0, 2, 7), Port: 50000}, out.LocalAddr())
			_, _ = header.WriteTo(out)
			go func() { _, _ = io.Copy(out, in); _ = out.Close() }()
			go func() { _, _ = io.Copy(in, out); _ = in.Close() }()
		}
	}()
	north := clinics["north"]
	north.addr = balancer.Addr().String()
	a := north.join("car", "J. Reed", pb.Role_ROLE_CLINIC)
	north.same(a)
	direct := newLaptop(t, "past the balancer")
	direct.server = h.addr
	_, err = agent.Enrol(t.Context(), direct.config(), north.invite("K. Birch", pb.Role_ROLE_VET))
	require.Error(t, err)
}

// The owner of a practice that somebody else hosts has no shell there: laptops are let in and
// shut out from the owner's own, whatever else the process serves.
func TestAnOwnerOrdersInAHostedPractice(t *testing.T) {
	t.Parallel()
	_, clinics := newHost(t, []string{"north", "south"})
	north := clinics["north"]
	own := north.join("owner's", "M. Alder")
	north.same(own)
	ordered, err := own.office().Invite(t.Context(), &pb.InviteRequest{Person: "J. Reed", Roles: []pb.Role{pb.Role_ROLE_VET}})
	require.NoError(t, err)
	car := north.joinBy("car", ordered.Code)
	north.same(car)
	require.Equal(t, []string{"vet"}, north.roles("J. Reed"))
	require.Empty(t, clinics["south"].roles("J. Reed"), "the other practice knows nobody of that name")
	shut, err := own.office().RevokeDevice(t.Context(), &pb.RevokeDeviceRequest{Device: north.deviceOf("car")[:8], Reason: "stolen from the car"})
	require.NoError(t, err)
	require.Equal(t, "car", shut.Name)
	eventually(t, "it has no link", func() bool { return car.state() != "connected" })
}

// A practice that cannot be opened stops none of the others, and is served once it can be.
func TestOnePracticesTroubleIsItsOwn(t *testing.T) {
	t.Parallel()
	h, clinics := newHost(t, []string{"north", "south"})
	a := clinics["north"].join("car", "J. Reed", pb.Role_ROLE_CLINIC)
	lock, err := store.LockFolder(filepath.Join(h.dir, "south")) // another program has the folder
	require.NoError(t, err)
	_, err = clinics["south"].hub.Invite(t.Context(), &pb.InviteRequest{Person: "K. Birch", Roles: []pb.Role{pb.Role_ROLE_VET}})
	require.Equal(t, codes.Unavailable, status.Code(err))
	_, err = a.record.Write(t.Context(), place("barn"))
	require.NoError(t, err)
	clinics["north"].same(a)
	require.NoError(t, lock.Close())
	eventually(t, "it is served once it can be", func() bool {
		_, err := clinics["south"].hub.Invite(t.Context(), &pb.InviteRequest{Person: "K. Birch", Roles: []pb.Role{pb.Role_ROLE_VET}})
		return err == nil
	})
}

// Practices that nobody asks for are opened for their backups, one at a time, when there is
// room, and closed again; one that cannot be opened keeps none of the others from theirs.
func TestClosedPracticesAreBackedUp(t *testing.T) {
	at := clock.NewManual(time.Now().Truncate(time.Second)) // as the names of backups tell it
	to := filepath.Join(t.TempDir(), "disk")
	h, clinics := newHost(t, []string{"east", "north", "south", "west"}, func(c *server.HostConfig) {
		c.Clock, c.MostOpen = at, 1
		c.Backups = node.BackupPlan{To: to, Every: 50 * time.Millisecond, Keep: 2}
	})
	made := func(name string) []string {
		list, err := filepath.Glob(filepath.Join(to, name, "*.books"))
		require.NoError(t, err)
		return list
	}
	eventually(t, "it is said that the folder is not there", func() bool { return strings.Contains(h.log.text(), "a folder that is there") })
	require.NoDirExists(t, to, "a disk that is not there does not become a folder")
	lock, err := store.LockFolder(filepath.Join(h.dir, "east")) // another program has the folder
	require.NoError(t, err)
	north := clinics["north"]
	require.Empty(t, north.roles("J. Reed"))
	require.NoError(t, os.Mkdir(to, 0o700))
	eventually(t, "a practice that is open saves itself", func() bool { return len(made("north")) == 1 })
	eventually(t, "there is no room for the others", func() bool { return strings.Contains(h.log.text(), "all places are taken") })
	require.Empty(t, made("south"))

	require.NoError(t, north.conn.Close())
	for _, name := range []string{"south", "west"} {
		eventually(t, name+" is saved", func() bool { return len(made(name)) == 1 })
	}
	eventually(t, "all are closed", func() bool { return h.open() == 0 })
	require.Empty(t, made("east"))
	require.NoError(t, lock.Close())
	for _, name := range []string{"north", "south", "west"} {
		was := made(name)
		at.Advance(2 * time.Hour)
		eventually(t, name+" is saved again", func() bool { return len(made(name)) > len(was) })
	}
	eventually(t, "east is saved too", func() bool { return len(made("east")) > 0 })
	h.stop()
	code, printed := command(t, "backup", "check", made("south")[0], "--data", filepath.Join(h.dir, "south"), "--passphrase-file", passphraseFile(t))
	require.Zero(t, code, printed)
}

// officeInvite makes a code in a folder whose server does not run.
func officeInvite(t *testing.T, dir string) (code invite.Code) {
	t.Helper()
	require.NoError(t, server.Office(t.Context(), server.Config{Data: dir, Secret: secret(t), Log: slog.New(slog.DiscardHandler)}, func(office pb.HubServiceServer) error {
		answer, err := office.Invite(t.Context(), &pb.InviteRequest{Person: "K. Birch", Roles: []pb.Role{pb.Role_ROLE_VET}})
		if err == nil {
			code, err = invite.ParseCode(answer.Code)
		}
		return err
	}))
	return code
}

// rootOf is the certificate of the practice's authority.
func (c *clinic) rootOf() ([]byte, error) {
	home, err := trust.Open(c.dir, secret(c.t), rand.Reader)
	if err != nil {
		return nil, err
	}
	return home.Joined.Authority, nil
}
