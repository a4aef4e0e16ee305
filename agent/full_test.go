package agent_test

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"

	"thawtrail/agent"
	"thawtrail/internal/trust/local"
	pb "thawtrail/proto/thawtrail/v1"
	"thawtrail/server"
)

// unwritable takes the place of a file with what no write can replace, as a disk
// without a free byte does.
func unwritable(t *testing.T, path string) {
	t.Helper()
	require.NoError(t, os.RemoveAll(path))
	require.NoError(t, os.MkdirAll(filepath.Join(path, "in the way"), 0o700))
}

// TestDoorAndAddressAreBestEffort: where neither can be written down, agent and
// server start all the same, say so, give the pages' address, and are found by
// commands.
func TestDoorAndAddressAreBestEffort(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	l := c.join("north", "J. Reed", pb.Role_ROLE_CLINIC)
	c.same(l)
	l.stop()
	c.stop()
	for _, dir := range []string{l.dir, c.dir} {
		unwritable(t, filepath.Join(dir, "local.door"))
		unwritable(t, filepath.Join(dir, "page.url"))
	}
	shown := make(chan string, 8)
	ways := func(url string) { shown <- url }

	cfg := l.config()
	cfg.Pages, cfg.PagesReady = "127.0.0.1:0", ways
	address, stop := run(t, func(ctx context.Context, ready func(string)) error {
		cfg.Ready = ready
		return agent.Run(ctx, cfg)
	})
	require.Contains(t, l.log.text(), "local.door")
	eventually(t, "the pages' address is said", func() bool { return strings.Contains(l.log.text(), "page.url") })
	code, printed := command(t, "status", "--at", address)
	require.Zero(t, code, printed)
	for _, door := range []func() (local.Door, error){
		func() (local.Door, error) { return local.OfData(l.dir) }, func() (local.Door, error) { return local.OfAddress(address) },
	} {
		d, err := door()
		require.NoError(t, err)
		target, options := d.Target()
		conn, err := grpc.NewClient(target, options...)
		require.NoError(t, err)
		_, err = pb.NewAuditServiceClient(conn).GetStatus(t.Context(), &pb.GetStatusRequest{})
		require.NoError(t, err)
		require.NoError(t, conn.Close())
	}
	stop()
	_, err := local.OfData(l.dir)
	require.ErrorIs(t, err, local.ErrNoDoor, "it is taken away again")

	said := len(c.log.text())
	_, stop = run(t, func(ctx context.Context, ready func(string)) error {
		return server.Run(ctx, server.Config{
			Data: c.dir, Secret: secret(t), Listen: "127.0.0.1:0", Pages: "127.0.0.1:0", PagesReady: ways, Ready: ready, Log: c.log.logger(),
		})
	})
	eventually(t, "the pages' address is said", func() bool { return strings.Contains(c.log.text()[said:], "page.url") })
	require.Contains(t, c.log.text()[said:], "local.door")
	stop()
	require.Contains(t, <-shown, "http://127.0.0.1:")
	require.Contains(t, <-shown, "http://127.0.0.1:")
}
