package server_test

import (
	"context"
	"net"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"

	"thawtrail/internal/refusal"
	"thawtrail/internal/trust/local"
	pb "thawtrail/proto/thawtrail/v1"
	"thawtrail/server"
)

// begin begins a practice in a new folder, in clear: what a passphrase does is
// tested where it belongs.
func begin(t *testing.T) (dir string, begun server.Begun) {
	t.Helper()
	t.Setenv("XDG_RUNTIME_DIR", t.TempDir())
	dir = t.TempDir()
	begun, err := server.Init(t.Context(), server.InitConfig{Data: dir, Practice: "Alder Creek Equine", Zone: "Australia/Sydney", Owner: "M. Alder"})
	require.NoError(t, err)
	return dir, begun
}

// running runs a server until the test ends and gives a line to it.
func running(t *testing.T, dir string, change ...func(*server.Config)) *grpc.ClientConn {
	t.Helper()
	ctx, stop := context.WithCancel(t.Context())
	ready, ended := make(chan string, 1), make(chan error, 1)
	cfg := server.Config{Data: dir, Listen: "127.0.0.1:0", StateEvery: 10 * time.Millisecond, Ready: func(a string) { ready <- a }}
	for _, c := range change {
		c(&cfg)
	}
	go func() { ended <- server.Run(ctx, cfg) }()
	select {
	case <-ready:
	case err := <-ended:
		require.NoError(t, err, "it ended before it was ready")
	}
	door, err := local.OfData(dir)
	require.NoError(t, err)
	target, options := door.Target()
	conn, err := grpc.NewClient(target, options...)
	require.NoError(t, err)
	t.Cleanup(func() {
		require.NoError(t, conn.Close())
		stop()
		require.NoError(t, <-ended, "a clean stop is no error")
	})
	return conn
}

// A practice that was begun is served, and states what it holds by itself.
func TestAPracticeIsServed(t *testing.T) {
	dir, begun := begin(t)
	require.NotEmpty(t, begun.Sheet)
	conn := running(t, dir)
	health, err := healthpb.NewHealthClient(conn).Check(t.Context(), &healthpb.HealthCheckRequest{})
	require.NoError(t, err)
	require.Equal(t, healthpb.HealthCheckResponse_SERVING, health.Status)
	people, err := pb.NewAuditServiceClient(conn).ListPeople(t.Context(), &pb.ListPeopleRequest{})
	require.NoError(t, err)
	require.Len(t, people.People, 1)
	require.Equal(t, "M. Alder", people.People[0].Name)
}

// What is no practice is not served, and nothing is made of it.
func TestRunBeginsNothing(t *testing.T) {
	err := server.Run(t.Context(), server.Config{Data: t.TempDir(), Listen: "127.0.0.1:0"})
	refused, ok := refusal.As(err)
	require.True(t, ok, "%v", err)
	require.Equal(t, "data", refused.Field)
	require.ErrorContains(t, err, "server init")
}

// One folder is one practice.
func TestAPracticeIsBegunOnce(t *testing.T) {
	dir, _ := begin(t)
	_, err := server.Init(t.Context(), server.InitConfig{Data: dir, Practice: "Another", Zone: "Europe/Dublin", Owner: "J. Reed"})
	refused, ok := refusal.As(err)
	require.True(t, ok, "%v", err)
	require.Equal(t, "data", refused.Field)
}

// A zone that does not exist is refused, and the folder can still be used.
func TestAWrongZoneLosesNothing(t *testing.T) {
	dir := t.TempDir()
	cfg := server.InitConfig{Data: dir, Practice: "Alder Creek Equine", Zone: "Australia/Sidney", Owner: "M. Alder"}
	_, err := server.Init(t.Context(), cfg)
	refused, ok := refusal.As(err)
	require.True(t, ok, "%v", err)
	require.Equal(t, "zone", refused.Field)
	cfg.Zone = "Australia/Sydney"
	_, err = server.Init(t.Context(), cfg)
	require.NoError(t, err)
}

// An address that is taken is told before anything is opened.
func TestABusyAddressIsTold(t *testing.T) {
	dir, _ := begin(t)
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer taken.Close()
	err = server.Run(t.Context(), server.Config{Data: dir, Listen: taken.Addr().String()})
	require.ErrorContains(t, err, taken.Addr().String())
}

// What cannot be an address is refused by the setting that it is of, before anything answers.
func TestAWrongAddressIsRefusedByItsSetting(t *testing.T) {
	dir, _ := begin(t)
	for setting, cfg := range map[string]server.Config{
		"listen":  {Listen: "127.0.0.1:99999"},
		"pages":   {Listen: "127.0.0.1:0", Pages: "127.0.0.1:pages"},
		"pages ":  {Listen: "127.0.0.1:0", Pages: "0.0.0.0:99999"},
		"pages  ": {Listen: "127.0.0.1:0", Pages: "192.0.2.7"},
		"metrics": {Listen: "127.0.0.1:0", Metrics: "0.0.0.0:4281"},
	} {
		cfg.Data, cfg.Ready = dir, func(addr string) { t.Errorf("answers at %s", addr) }
		err := server.Run(t.Context(), cfg)
		refused, ok := refusal.As(err)
		require.True(t, ok, "%s: %v", setting, err)
		require.Equal(t, strings.TrimSpace(setting), refused.Field)
	}
}

// Pages whose port is taken do not keep the server from serving, whoever they are for:
// monitors see that they are not there, and they are once the port is free.
func TestABusyPagesPortStopsNoServer(t *testing.T) {
	for name, c := range map[string]struct {
		network bool
		part    string
	}{
		"for this machine": {false, "pages"}, "for the clinic's network": {true, "paired browsers"},
	} {
		t.Run(name, func(t *testing.T) {
			dir, _ := begin(t)
			taken, err := net.Listen("tcp", "127.0.0.1:0")
			require.NoError(t, err)
			conn := running(t, dir, func(cfg *server.Config) {
				if cfg.Pages = taken.Addr().String(); c.network {
					cfg.Pages, cfg.Network = "127.0.0.1:0", taken.Addr().String()
				}
			})
			health := healthpb.NewHealthClient(conn)
			state := func(service string) healthpb.HealthCheckResponse_ServingStatus {
				out, err := health.Check(t.Context(), &healthpb.HealthCheckRequest{Service: service})
				require.NoError(t, err, service)
				return out.Status
			}
			require.Equal(t, healthpb.HealthCheckResponse_NOT_SERVING, state("thawtrail.part."+c.part), "told before it says that it answers")
			require.Equal(t, healthpb.HealthCheckResponse_SERVING, state(""))
			require.Equal(t, healthpb.HealthCheckResponse_SERVING, state("thawtrail.v1.ExchangeService"))
			if !c.network {
				require.Equal(t, healthpb.HealthCheckResponse_NOT_SERVING, state("thawtrail.v1.PageService"))
			}
			require.NoError(t, taken.Close())
			for _, service := range []string{"thawtrail.part." + c.part, "thawtrail.v1.PageService"} {
				require.Eventually(t, func() bool { return state(service) == healthpb.HealthCheckResponse_SERVING }, 2*time.Minute, 50*time.Millisecond, service)
			}
		})
	}
}
