//go:build browser

package night

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"

	"thawtrail/agent"
	"thawtrail/internal/demo/wire"
	"thawtrail/internal/trust/invite"
	"thawtrail/internal/trust/local"
	"thawtrail/internal/trust/vault"
	"thawtrail/internal/wholefile"
	pb "thawtrail/proto/thawtrail/v1"
	"thawtrail/server"
)

// cheap is the cost of passphrases in tests; the arithmetic is the same.
var cheap = vault.Cost{Passes: 1, MemoryKiB: 64, Lanes: 1}

const (
	within    = 30 * time.Second
	lookEvery = 20 * time.Millisecond
)

// machine is one of the three programs, running as a process.
type machine struct {
	t     *testing.T
	p     program
	cmd   *exec.Cmd
	in    io.WriteCloser
	said  chan line
	pages []string // one-time addresses of its pages
	audit pb.AuditServiceClient
}

// practice is the clinic's server and two laptops with a wire each.
type practice struct {
	t                    *testing.T
	clinic, north, south *machine
	wires                map[*machine]*wire.Wire
}

// begin founds a practice, lets two laptops join and starts all three.
func begin(t *testing.T) *practice {
	t.Helper()
	t.Setenv("XDG_RUNTIME_DIR", t.TempDir())
	secret, err := vault.Passphrase(passphrase)
	require.NoError(t, err)
	p := &practice{t: t, wires: map[*machine]*wire.Wire{}}
	p.clinic = &machine{t: t, p: program{Hub: true, Data: t.TempDir(), Name: "clinic", Listen: "127.0.0.1:0", Pages: "127.0.0.1:0"}}
	_, err = server.Init(t.Context(), server.InitConfig{
		Data: p.clinic.p.Data, Secret: &secret, Cost: cheap, Practice: "Alder Creek Equine", Zone: "Australia/Sydney", Currency: "AUD",
		Owner: owner, Name: "clinic",
	})
	require.NoError(t, err)
	p.clinic.start()
	p.north, p.south = p.join("north laptop", northVet), p.join("south laptop", southVet)
	return p
}

// join lets a laptop in for a vet, and starts it behind a wire of its own.
func (p *practice) join(name, person string) *machine {
	t := p.t
	t.Helper()
	hub := pb.NewHubServiceClient(dial(t, p.clinic.p.Data))
	answer, err := hub.Invite(t.Context(), &pb.InviteRequest{Person: person, Roles: []pb.Role{pb.Role_ROLE_VET}})
	require.NoError(t, err)
	code, err := invite.ParseCode(answer.Code)
	require.NoError(t, err)
	door, err := local.OfData(p.clinic.p.Data)
	require.NoError(t, err)
	w, err := wire.New(door.Address)
	require.NoError(t, err)
	t.Cleanup(w.Close)
	m := &machine{t: t, p: program{Data: t.TempDir(), Name: name, Listen: "127.0.0.1:0", Pages: "127.0.0.1:0", Server: w.Address()}}
	secret, err := vault.Passphrase(passphrase)
	require.NoError(t, err)
	_, err = vault.Create(wholefile.Folder(m.p.Data), &secret, cheap, strings.NewReader(strings.Repeat(name, 100)))
	require.NoError(t, err)
	_, err = agent.Enrol(t.Context(), agent.Config{Data: m.p.Data, Secret: &secret, Name: name, Server: m.p.Server}, code)
	require.NoError(t, err)
	p.wires[m] = w
	m.start()
	return m
}

// start runs the program. Started again, it answers at the addresses it had and
// its clock goes on where it was.
func (m *machine) start() {
	m.t.Helper()
	text, err := json.Marshal(m.p)
	require.NoError(m.t, err)
	m.cmd = exec.Command(os.Args[0])
	m.cmd.Env = append(os.Environ(), programIn+"="+string(text))
	log, err := os.OpenFile(filepath.Join(m.t.ArtifactDir(), m.p.Name+".log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	require.NoError(m.t, err)
	m.cmd.Stderr = log
	m.in, err = m.cmd.StdinPipe()
	require.NoError(m.t, err)
	out, err := m.cmd.StdoutPipe()
	require.NoError(m.t, err)
	require.NoError(m.t, m.cmd.Start())
	said := make(chan line, 8)
	cmd := m.cmd
	go func() {
		for lines := bufio.NewScanner(out); lines.Scan(); {
			var l line
			if json.Unmarshal(lines.Bytes(), &l) == nil {
				said <- l
			}
		}
		_ = cmd.Wait() // how it ended is told by those who ended it
		_ = log.Close()
		close(said)
	}()
	m.said, m.pages = said, nil
	m.t.Cleanup(m.stop)
	want := 1
	if m.p.Hub {
		want = 2
	}
	for up := false; !up || len(m.pages) < want; {
		l := m.hear()
		up = up || l.Ready
		if l.Pages != "" {
			m.pages = append(m.pages, l.Pages)
		}
	}
	u, err := url.Parse(m.pages[0])
	require.NoError(m.t, err)
	m.p.Pages = u.Host
	m.audit = pb.NewAuditServiceClient(dial(m.t, m.p.Data))
}

// hear waits for the next thing that the program says.
func (m *machine) hear() line {
	m.t.Helper()
	select {
	case l, open := <-m.said:
		require.True(m.t, open, "%s has ended", m.p.Name)
		require.NoError(m.t, l.err(), m.p.Name)
		return l
	case <-time.After(within):
		m.t.Fatalf("%s says nothing within %s", m.p.Name, within)
	}
	return line{}
}

// stop asks the program to end, and waits for it.
func (m *machine) stop() {
	_ = m.in.Close() // a program that was killed has closed it
	for range m.said {
	}
}

// kill ends it without a chance to say or write anything.
func (m *machine) kill() {
	m.t.Helper()
	require.NoError(m.t, m.cmd.Process.Kill())
	for range m.said { // until it is gone
	}
}

// pass lets time go by on all three machines at once.
func (p *practice) pass(d time.Duration) {
	p.t.Helper()
	all := []*machine{p.clinic, p.north, p.south}
	for _, m := range all {
		_, err := fmt.Fprintln(m.in, d)
		require.NoError(p.t, err, m.p.Name)
	}
	for _, m := range all {
		m.p.Ahead += d
		require.Equal(p.t, m.p.Ahead.String(), m.hear().Ahead, m.p.Name)
	}
}

// dial goes through the door of the program on a folder.
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

// books are what a machine holds: the digest of its state and its records.
func (m *machine) books() (digest string, records int64) {
	m.t.Helper()
	answer, err := m.audit.GetDigest(m.t.Context(), &pb.GetDigestRequest{})
	require.NoError(m.t, err)
	return answer.Digest, answer.Records
}

// agree waits until all three say the same.
func (p *practice) agree() (digest string, records int64) {
	p.t.Helper()
	p.until("all three hold the same books", func() bool {
		digest, records = p.clinic.books()
		for _, m := range []*machine{p.north, p.south} {
			if d, n := m.books(); d != digest || n != records {
				return false
			}
		}
		return true
	})
	return digest, records
}

func (p *practice) until(what string, ok func() bool) {
	p.t.Helper()
	require.Eventually(p.t, ok, within, lookEvery, what)
}
