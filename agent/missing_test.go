package agent_test

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"

	"thawtrail/agent"
	"thawtrail/internal/cli"
	pb "thawtrail/proto/thawtrail/v1"
)

// newSealed is a practice whose one laptop wrote the name of a client.
func newSealed(t *testing.T) (*clinic, *laptop) {
	c := newClinic(t)
	l := c.join("north", "J. Reed", pb.Role_ROLE_CLINIC)
	c.same(l)
	l.enter("J. Reed", &pb.Entry{Body: &pb.Entry_ClientAdded{ClientAdded: &pb.ClientAdded{Name: &pb.Sealed{Plain: "P. Hollis"}}}})
	c.same(l)
	return c, l
}

// begins runs a program that is to end by itself.
func begins(t *testing.T, args ...string) (code int, printed string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	var out said
	code = cli.Main(ctx, args, &out, &out)
	return code, out.text()
}

// TestAMissingKeyFileIsNotMadeAnew: a laptop or a server that lost one of its
// secret files says so on one line, with what to do, and does not go on as another
// one. Put back, all is as before.
func TestAMissingKeyFileIsNotMadeAnew(t *testing.T) {
	c, l := newSealed(t)
	for _, conn := range []pb.PinServiceClient{pb.NewPinServiceClient(l.conn), pb.NewPinServiceClient(c.conn)} {
		_, err := conn.SetPin(t.Context(), &pb.SetPinRequest{Person: "J. Reed", Pin: "4711", Passphrase: passphrase})
		require.NoError(t, err)
	}
	before := digest(t, l.conn)
	l.stop()
	l.withPhones()
	c.stop()
	phrase := phraseFile(t)
	for _, p := range []struct {
		dir   string
		args  []string
		files []string
	}{
		{l.dir, []string{"agent", "--listen", "127.0.0.1:0", "--phone", "127.0.0.1:0", "--pages", "127.0.0.1:0"}, []string{"device.key", "fields.key", "pins.box", "practice.box", "vault.key", "phone.key"}},
		{c.dir, []string{"server", "--listen", "127.0.0.1:0"}, []string{"device.key", "fields.key", "pins.box", "practice.box", "vault.key", "authority.key", "server.key"}},
	} {
		for _, name := range p.files {
			path, away := filepath.Join(p.dir, name), filepath.Join(t.TempDir(), name)
			require.NoError(t, os.Rename(path, away), "%s is there", name)
			code, printed := begins(t, append(p.args, "--data", p.dir, "--passphrase-file", phrase)...)
			require.Equal(t, 2, code, "%s: %s", name, printed)
			require.Contains(t, printed, name)
			require.Contains(t, printed, "put it back from a copy", name)
			require.Equal(t, 1, strings.Count(printed, "\n"), "one line: %q", printed)
			require.NoFileExists(t, path, "nothing is made in its place")
			require.NoError(t, os.Rename(away, path))
		}
	}
	c.start(c.addr)
	l.start()
	require.Equal(t, before, digest(t, l.conn))
	eventually(t, "connected", func() bool { return l.state() == "connected" })
}

// withPhones runs the laptop once with a door for phones, which makes its key.
func (l *laptop) withPhones() {
	l.t.Helper()
	_, stop := run(l.t, func(ctx context.Context, ready func(string)) error {
		cfg := l.config()
		cfg.Ready, cfg.Pages, cfg.Phone = ready, "127.0.0.1:0", "127.0.0.1:0"
		return agent.Run(ctx, cfg)
	})
	stop()
}

// TestAFileThatMayBeMadeAnewIsTold: one-time codes and phones that are forgotten
// let nobody in. They are begun anew, and the status says so until a person has read
// it.
func TestAFileThatMayBeMadeAnewIsTold(t *testing.T) {
	t.Parallel()
	c, b := newClinic(t), newBarn(t)
	c.invite("J. Reed", pb.Role_ROLE_CLINIC)
	b.phone().pair(b.code())
	b.stop()
	c.stop()
	phrase := phraseFile(t)
	repairs := func(conn *grpc.ClientConn) string {
		status, err := pb.NewAuditServiceClient(conn).GetStatus(t.Context(), &pb.GetStatusRequest{})
		require.NoError(t, err)
		return strings.Join(status.Repairs, "\n")
	}
	for _, p := range []struct {
		name, dir string
		start     func() *grpc.ClientConn
		stop      func()
	}{
		{"phones.box", b.dir, func() *grpc.ClientConn { b.open(); return b.conn }, func() { b.stop() }},
		{"invites.box", c.dir, func() *grpc.ClientConn { c.start(c.addr); return c.conn }, func() { c.stop() }},
	} {
		require.NoError(t, os.Remove(filepath.Join(p.dir, p.name)))
		for range 2 {
			require.Contains(t, repairs(p.start()), p.name+" was missing")
			p.stop()
		}
		code, printed := command(t, "losses", "--data", p.dir, "--passphrase-file", phrase, "--seen")
		require.Zero(t, code, printed)
		require.NotContains(t, repairs(p.start()), p.name)
		p.stop()
	}
}

// TestAMissingFileIsBegunAnew where a person says so and nothing is lost by it.
func TestAMissingFileIsBegunAnew(t *testing.T) {
	_, l := newSealed(t)
	l.stop()
	phrase := phraseFile(t)
	losses := func(more ...string) (int, string) {
		return command(t, append([]string{"losses", "--data", l.dir, "--passphrase-file", phrase}, more...)...)
	}
	code, printed := losses()
	require.Zero(t, code, printed)
	require.NoError(t, os.Remove(filepath.Join(l.dir, "fields.key")))
	code, printed = losses()
	require.Equal(t, 1, code, printed)
	require.Contains(t, printed, "fields.key")
	code, printed = losses("--anew", "device.key")
	require.Equal(t, 2, code, printed)
	code, printed = losses("--anew", "fields.key")
	require.Zero(t, code, printed)
	l.start()
	eventually(t, "the server sends the keys again", func() bool {
		keys, _ := l.home().Seals.Since(0, 10)
		return len(keys) == 1
	})

	l.stop()
	require.NoError(t, os.Remove(filepath.Join(l.dir, "device.key")))
	code, printed = losses("--anew", "device.key")
	require.Equal(t, 2, code, printed)
	require.Contains(t, printed, "join again")
}

// TestAGarbledHubEpoch is begun anew with a word; laptops state again what is held.
func TestAGarbledHubEpoch(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	l := c.join("north", "J. Reed", pb.Role_ROLE_CLINIC)
	c.same(l)
	c.stop()
	path := filepath.Join(c.dir, "hub.epoch")
	good, err := os.ReadFile(path)
	require.NoError(t, err)
	for what, bad := range map[string][]byte{
		"noise": []byte("\x00\xff\x1b[2J not an epoch"), "empty": {}, "cut": good[:7], "without end": []byte(strings.Repeat("a", 1<<20)), "absent": nil,
	} {
		require.NoError(t, os.WriteFile(path, bad, 0o600))
		if bad == nil {
			require.NoError(t, os.Remove(path))
		}
		said := len(c.log.text())
		c.start(c.addr)
		require.Contains(t, c.log.text()[said:], "hub.epoch", what)
		harmless(t, c.log.text()[said:])
		eventually(t, "connected after "+what, func() bool { return l.state() == "connected" })
		c.stop()
		anew, err := os.ReadFile(path)
		require.NoError(t, err)
		require.Regexp(t, `^[0-9a-f]{16}$`, string(anew), what)
		require.NotEqual(t, good, anew)
	}
}
