//go:build linux

package agent_test

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/store/pg/pgtest"
	"thawtrail/internal/trust"
	pb "thawtrail/proto/thawtrail/v1"
	"thawtrail/server"
)

// in starts the clinic's server at its address, out of the database or its folder.
func (c *clinic) in(cfg server.Config) {
	c.t.Helper()
	cfg.Data, cfg.Secret, cfg.Listen, cfg.Log, cfg.StateEvery = c.dir, secret(c.t), c.addr, c.log.logger(), 20*time.Millisecond
	c.addr, c.stop = run(c.t, func(ctx context.Context, ready func(string)) error {
		cfg.Ready = ready
		return server.Run(ctx, cfg)
	})
	c.conn = dial(c.t, c.dir)
	c.hub = pb.NewHubServiceClient(c.conn)
}

// A practice moves to a database and back. Its laptops go on over a link that broke once:
// nobody finds another server, and nothing that was held is missing.
func TestAPracticeMoves(t *testing.T) {
	t.Parallel()
	d := database(t, pgtest.Begin(t).URL())
	c := newClinic(t)
	a, b := c.join("car", "J. Reed", pb.Role_ROLE_CLINIC), c.join("van", "K. Birch", pb.Role_ROLE_CLINIC)
	a.held(a.writes("barn 1"))
	c.stop()
	alone := b.writes("barn 2")
	to := server.MoveConfig{Data: c.dir, Database: d, Secret: secret(t), To: server.ToDatabase}
	moved, err := server.Move(t.Context(), to)
	require.NoError(t, err)
	require.Equal(t, "Alder Creek Equine", moved.Practice)
	require.Greater(t, moved.Records, int64(10))
	require.Greater(t, moved.Files, 5)
	err = server.Run(t.Context(), server.Config{Data: c.dir, Secret: secret(t), Listen: c.addr})
	require.ErrorContains(t, err, "it was moved to a database", "no server goes on in the place that it left")
	_, err = server.Move(t.Context(), to)
	require.ErrorContains(t, err, "it was moved to a database")

	c.in(server.Config{Database: d})
	a.held(a.writes("barn 3"))
	b.held(alone)
	c.same(a)
	c.same(b)
	back := to
	back.To = server.ToFolder
	_, err = server.Move(t.Context(), back)
	require.Error(t, err, "it is served")
	c.stop()

	returned, err := server.Move(t.Context(), back)
	require.NoError(t, err)
	require.Greater(t, returned.Records, moved.Records)
	require.Equal(t, moved.Files, returned.Files)
	err = server.Run(t.Context(), server.Config{Data: c.dir, Secret: secret(t), Listen: c.addr, Database: d})
	require.ErrorContains(t, err, "it was moved to the folder")
	c.in(server.Config{})
	b.held(b.writes("barn 4"))
	c.same(a)
	c.same(b)
	for _, conn := range []*laptop{a, b} {
		status, err := conn.audit.GetStatus(t.Context(), &pb.GetStatusRequest{})
		require.NoError(t, err)
		require.Empty(t, status.Repairs)
		require.Empty(t, status.Differences)
	}
}

// A move that was broken off leaves no place that a server takes for whole, and goes on.
func TestAMoveThatWasBrokenOff(t *testing.T) {
	t.Parallel()
	d := database(t, pgtest.Begin(t).URL())
	c := newClinic(t)
	a := c.join("car", "J. Reed", pb.Role_ROLE_CLINIC)
	answer, err := a.record.Write(t.Context(), place("barn 1"))
	require.NoError(t, err)
	a.held(answer.Record)
	c.stop()
	to := server.MoveConfig{Data: c.dir, Database: d, Secret: secret(t), To: server.ToDatabase}
	broken, stop := context.WithCancel(t.Context())
	stop()
	_, err = server.Move(broken, to)
	require.Error(t, err)
	whole, err := server.Move(t.Context(), to)
	require.NoError(t, err)

	// It stopped after the old place was marked and before the new one was free.
	lease, err := d.Take(t.Context(), filepath.Base(c.dir), "")
	require.NoError(t, err)
	require.NoError(t, lease.Names().Write("moved", []byte("not all of it came here")))
	require.NoError(t, lease.Give())
	err = server.Run(t.Context(), server.Config{Data: c.dir, Secret: secret(t), Listen: c.addr, Database: d})
	require.ErrorContains(t, err, "not all of it came here")
	again, err := server.Move(t.Context(), to)
	require.NoError(t, err)
	require.Equal(t, whole, again)
	c.in(server.Config{Database: d})
	answer, err = a.record.Write(t.Context(), place("barn 2"))
	require.NoError(t, err)
	a.held(answer.Record)
	c.same(a)
}

// What cannot be read is not left behind in silence, and what is there is not written over.
func TestAMoveLosesNothing(t *testing.T) {
	t.Parallel()
	d := database(t, pgtest.Begin(t).URL())
	beginIn(t, d, "taken")
	c := newClinic(t)
	c.stop()
	taken := filepath.Join(t.TempDir(), "taken")
	require.NoError(t, os.CopyFS(taken, os.DirFS(c.dir)))
	_, err := server.Move(t.Context(), server.MoveConfig{Data: taken, Database: d, Secret: secret(t), To: server.ToDatabase})
	require.ErrorContains(t, err, "there is one already")
	segments, err := filepath.Glob(filepath.Join(c.dir, "journal", "*.journal"))
	require.NoError(t, err)
	raw, err := os.ReadFile(segments[0])
	require.NoError(t, err)
	raw[len(raw)/3] ^= 1
	require.NoError(t, os.WriteFile(segments[0], raw, 0o600))
	_, err = server.Move(t.Context(), server.MoveConfig{Data: c.dir, Database: d, Secret: secret(t), To: server.ToDatabase})
	require.ErrorContains(t, err, "some are damaged")
}

// A practice is deleted by whoever can open it and says its name, whole and alone.
func TestAPracticeIsDeleted(t *testing.T) {
	t.Parallel()
	d := database(t, pgtest.Begin(t).URL())
	beginIn(t, d, "north")
	beginIn(t, d, "south")
	cfg := server.DeleteConfig{Data: filepath.Join(t.TempDir(), "north"), Database: d, Secret: secret(t), Practice: "Practice of south"}
	require.ErrorContains(t, server.Delete(t.Context(), cfg), "letter by letter")
	cfg.Practice = "Practice of north"
	require.NoError(t, server.Delete(t.Context(), cfg))
	require.Error(t, server.Delete(t.Context(), cfg), "it is gone")
	left, err := d.Practices(t.Context(), 10)
	require.NoError(t, err)
	require.Len(t, left, 1)
	require.Equal(t, "south", left[0].Name)

	c := newClinic(t)
	cfg = server.DeleteConfig{Data: c.dir, Secret: secret(t), Practice: "Alder Creek Equine"}
	require.Error(t, server.Delete(t.Context(), cfg), "it is served")
	c.stop()
	require.NoError(t, os.WriteFile(filepath.Join(c.dir, "note.txt"), []byte("somebody's own"), 0o600))
	require.NoError(t, server.Delete(t.Context(), cfg))
	require.False(t, trust.Begun(c.dir))
	left2, err := filepath.Glob(filepath.Join(c.dir, "*"))
	require.NoError(t, err)
	for _, path := range left2 {
		require.NotContains(t, []string{".key", ".box"}, filepath.Ext(path))
	}
	require.FileExists(t, filepath.Join(c.dir, "note.txt"))
}
