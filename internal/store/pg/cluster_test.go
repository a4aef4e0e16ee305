//go:build linux

package pg

import (
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
)

// cluster is a PostgreSQL of this test alone, on a socket in a folder of its own.
type cluster struct {
	bin, dir string
	as       *syscall.SysProcAttr
	running  *exec.Cmd
	ended    chan struct{}
}

// programs is where the system keeps them; the newest version counts.
func programs(t testing.TB) string {
	t.Helper()
	found, err := filepath.Glob("/usr/lib/postgresql/*/bin/postgres")
	require.NoError(t, err)
	if len(found) == 0 {
		t.Skip("PostgreSQL is not installed here: nothing is tried with a database (on Debian: apt-get install postgresql)")
	}
	return filepath.Dir(slices.MaxFunc(found, func(a, b string) int { return len(a) - len(b) }))
}

// begin makes a cluster and starts it. PostgreSQL refuses to run as root, and then runs as
// the user that its package made.
func begin(t testing.TB) *cluster {
	t.Helper()
	c := &cluster{bin: programs(t), as: &syscall.SysProcAttr{Pdeathsig: syscall.SIGQUIT}}
	var err error
	c.dir, err = os.MkdirTemp("", "truth") // a socket's path must be short
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(c.dir)) })
	if os.Getuid() == 0 {
		who, err := user.Lookup("postgres")
		if err != nil {
			t.Skip("there is no user postgres here, and this test runs as root: nothing is tried with a database")
		}
		uid, err := strconv.Atoi(who.Uid)
		require.NoError(t, err)
		gid, err := strconv.Atoi(who.Gid)
		require.NoError(t, err)
		require.NoError(t, os.Chown(c.dir, uid, gid))
		c.as.Credential = &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}
	}
	made := exec.Command(filepath.Join(c.bin, "initdb"), "-D", c.data(), "-A", "trust", "-U", "postgres", "-E", "UTF8", "--no-locale", "--no-sync")
	made.SysProcAttr, made.Dir = c.as, c.dir
	said, err := made.CombinedOutput()
	require.NoError(t, err, "%s", said)
	c.start(t)
	t.Cleanup(c.kill)
	return c
}

func (c *cluster) data() string { return filepath.Join(c.dir, "data") }

func (c *cluster) url(dir string) string {
	return fmt.Sprintf("host=%s user=postgres dbname=postgres connect_timeout=2", dir)
}

func (c *cluster) start(t testing.TB) {
	t.Helper()
	for deadline := time.Now().Add(time.Minute); ; {
		c.running = exec.Command(filepath.Join(c.bin, "postgres"), "-D", c.data(), "-k", c.dir, "-c", "listen_addresses=", "-c", "shared_buffers=16MB")
		c.running.SysProcAttr, c.running.Dir = c.as, c.dir
		require.NoError(t, c.running.Start())
		ended := make(chan struct{})
		go func(p *exec.Cmd) { _ = p.Wait(); close(ended) }(c.running)
		c.ended = ended
		for {
			conn, err := pgx.Connect(t.Context(), c.url(c.dir))
			if err == nil {
				require.NoError(t, conn.Close(t.Context()))
				return
			}
			require.True(t, time.Now().Before(deadline), "PostgreSQL does not start: %v", err)
			select {
			case <-ended: // what a killed one left in memory is not gone yet
			case <-time.After(20 * time.Millisecond):
				continue
			}
			break
		}
	}
}

// kill ends every process of the cluster at once, as a machine that loses its power does.
func (c *cluster) kill() {
	pid := c.running.Process.Pid
	below, _ := os.ReadFile(fmt.Sprintf("/proc/%d/task/%d/children", pid, pid))
	_ = c.running.Process.Kill()
	for _, child := range strings.Fields(string(below)) {
		if n, err := strconv.Atoi(child); err == nil {
			_ = syscall.Kill(n, syscall.SIGKILL)
		}
	}
	<-c.ended
}

// shared is one cluster for the tests that leave it running.
var shared struct {
	sync.Mutex
	*cluster
	count int
}

// place is an empty practice in the shared cluster.
func place(t testing.TB) Options {
	t.Helper()
	shared.Lock()
	defer shared.Unlock()
	if shared.cluster == nil {
		shared.cluster = begin(outlasts{t})
	}
	shared.count++
	return Options{URL: shared.url(shared.dir), Practice: fmt.Sprintf("practice %d", shared.count), Patience: 20 * time.Second}
}

// outlasts keeps what is cleaned up until every test has ended.
type outlasts struct{ testing.TB }

var last []func()

func (outlasts) Cleanup(fn func()) { last = append(last, fn) }

func TestMain(m *testing.M) {
	code := m.Run()
	for _, fn := range slices.Backward(last) {
		fn()
	}
	os.Exit(code)
}

// What happens on the way to the database.
const (
	passing     = iota
	answerLost  // the next answer is dropped, and the link with it
	requestLost // the next request
	requestLate // the next request comes after the link is gone, when it is let go
)

// way lies between a truth and its database.
type way struct {
	dir      string
	to       string
	mode     atomic.Int32
	shut     atomic.Bool
	late     chan struct{} // closed: what is late goes on
	arrived  chan struct{} // closed: it has, and was answered
	listener net.Listener
}

const socket = ".s.PGSQL.5432"

func between(t testing.TB, c *cluster) *way {
	t.Helper()
	dir, err := os.MkdirTemp("", "way")
	require.NoError(t, err)
	w := &way{dir: dir, to: filepath.Join(c.dir, socket), late: make(chan struct{}), arrived: make(chan struct{})}
	w.listener, err = net.Listen("unix", filepath.Join(dir, socket))
	require.NoError(t, err)
	t.Cleanup(func() { _ = w.listener.Close(); _ = os.RemoveAll(dir) })
	go func() {
		for {
			client, err := w.listener.Accept()
			if err != nil {
				return
			}
			go w.carry(client)
		}
	}()
	return w
}

func (w *way) carry(client net.Conn) {
	defer client.Close()
	if w.shut.Load() {
		return
	}
	server, err := net.Dial("unix", w.to)
	if err != nil {
		return
	}
	go func() {
		defer client.Close()
		buf := make([]byte, 1<<16)
		for {
			n, err := server.Read(buf)
			if err != nil || w.mode.CompareAndSwap(answerLost, passing) {
				server.Close()
				return
			}
			if _, err := client.Write(buf[:n]); err != nil {
				server.Close()
				return
			}
		}
	}()
	buf := make([]byte, 1<<16)
	for {
		n, err := client.Read(buf)
		switch {
		case err != nil:
			server.Close()
			return
		case w.mode.CompareAndSwap(requestLost, passing):
			server.Close()
			return
		case w.mode.CompareAndSwap(requestLate, passing):
			client.Close()
			<-w.late
			_, _ = server.Write(buf[:n])
			if w, ok := server.(*net.UnixConn); ok {
				_ = w.CloseWrite()
			}
			_, _ = io.Copy(io.Discard, server)
			close(w.arrived)
			return
		}
		if _, err := server.Write(buf[:n]); err != nil {
			return
		}
	}
}
