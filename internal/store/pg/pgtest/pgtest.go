//go:build linux

// Package pgtest gives tests a PostgreSQL of their own, and a way to it that can be cut. It
// starts none of the system's.
package pgtest

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
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// Cluster is a PostgreSQL of this test alone, on a socket in a folder of its own.
type Cluster struct {
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

// Begin makes a cluster and starts it. PostgreSQL refuses to run as root, and then runs as
// the user that its package made.
func Begin(t testing.TB) *Cluster {
	t.Helper()
	c := empty(t)
	c.run(t, "initdb", "-D", c.data(), "-A", "trust", "-U", "postgres", "-E", "UTF8", "--no-locale", "--no-sync")
	c.Start(t)
	t.Cleanup(c.Kill)
	return c
}

// Standby makes a copy of a cluster that follows it, and has the cluster wait for it: from
// then on nothing is committed that does not lie in both.
func (c *Cluster) Standby(t testing.TB) *Cluster {
	t.Helper()
	s := empty(t)
	s.run(t, "pg_basebackup", "-D", s.data(), "-d", "host="+c.dir+" user=postgres application_name=standby", "-R", "-X", "stream", "-c", "fast", "--no-sync")
	s.Start(t)
	t.Cleanup(s.Kill)
	c.ask(t, "ALTER SYSTEM SET synchronous_standby_names = 'standby'", "SELECT pg_reload_conf()")
	require.Eventually(t, func() bool { return c.ask(t, "SELECT sync_state FROM pg_stat_replication") == "sync" }, time.Minute, 20*time.Millisecond)
	return s
}

// Promote makes a standby a cluster of its own.
func (c *Cluster) Promote(t testing.TB) {
	t.Helper()
	require.Equal(t, "t", c.ask(t, "SELECT pg_promote()"))
}

// With is how a cluster or another one is reached, whichever takes writes.
func (c *Cluster) With(other *Cluster) string {
	return url(c.dir+","+other.dir) + " target_session_attrs=read-write"
}

// ask puts questions and gives the answer to the last.
func (c *Cluster) ask(t testing.TB, sql ...string) string {
	t.Helper()
	args := []string{"-h", c.dir, "-U", "postgres", "-d", "postgres", "-qtA"}
	for _, q := range sql {
		args = append(args, "-c", q)
	}
	return c.run(t, "psql", args...)
}

// run runs one of the system's programs as the cluster's user, and gives the last line it says.
func (c *Cluster) run(t testing.TB, program string, args ...string) string {
	t.Helper()
	cmd := exec.Command(filepath.Join(c.bin, program), args...)
	cmd.SysProcAttr, cmd.Dir = c.as, c.dir
	said, err := cmd.CombinedOutput()
	require.NoError(t, err, "%s: %s", program, said)
	lines := strings.Split(strings.TrimSpace(string(said)), "\n")
	return lines[len(lines)-1]
}

// empty is a cluster of which nothing was made but its folder.
func empty(t testing.TB) *Cluster {
	t.Helper()
	c := &Cluster{bin: programs(t), as: &syscall.SysProcAttr{Pdeathsig: syscall.SIGQUIT}}
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
	return c
}

func (c *Cluster) data() string { return filepath.Join(c.dir, "data") }

// URL is how it is reached.
func (c *Cluster) URL() string { return url(c.dir) }

func url(dir string) string {
	return fmt.Sprintf("host=%s user=postgres dbname=postgres connect_timeout=2", dir)
}

// Start starts one that was killed, and waits until it answers.
func (c *Cluster) Start(t testing.TB) {
	t.Helper()
	for deadline := time.Now().Add(time.Minute); ; {
		c.running = exec.Command(filepath.Join(c.bin, "postgres"), "-D", c.data(), "-k", c.dir, "-c", "listen_addresses=", "-c", "shared_buffers=16MB")
		c.running.SysProcAttr, c.running.Dir = c.as, c.dir
		require.NoError(t, c.running.Start())
		ended := make(chan struct{})
		go func(p *exec.Cmd) { _ = p.Wait(); close(ended) }(c.running)
		c.ended = ended
		for {
			said, err := exec.Command(filepath.Join(c.bin, "pg_isready"), "-q", "-h", c.dir, "-t", "1").CombinedOutput()
			if err == nil {
				return
			}
			require.True(t, time.Now().Before(deadline), "PostgreSQL does not start: %v %s", err, said)
			select {
			case <-ended: // what a killed one left in memory is not gone yet
			case <-time.After(20 * time.Millisecond):
				continue
			}
			break
		}
	}
}

// Kill ends every process of the cluster at once, as a machine that loses its power does.
func (c *Cluster) Kill() {
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

// What happens on the way to the database.
const (
	Passing     = iota
	AnswerLost  // the next answer is dropped, and the link with it
	RequestLost // the next request
	RequestLate // the next request comes after the link is gone, when it is let go
)

// Way lies between a truth and its database.
type Way struct {
	dir      string
	to       string
	Mode     atomic.Int32
	Shut     atomic.Bool   // no new links
	Cut      atomic.Bool   // nor anything by the old ones
	Late     chan struct{} // closed: what is late goes on
	Arrived  chan struct{} // closed: it has, and was answered
	listener net.Listener
}

const socket = ".s.PGSQL.5432"

// Between puts one between a test and its cluster.
func Between(t testing.TB, c *Cluster) *Way {
	t.Helper()
	dir, err := os.MkdirTemp("", "way")
	require.NoError(t, err)
	w := &Way{dir: dir, to: filepath.Join(c.dir, socket), Late: make(chan struct{}), Arrived: make(chan struct{})}
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

// URL is how the cluster is reached by it.
func (w *Way) URL() string { return url(w.dir) }

func (w *Way) carry(client net.Conn) {
	defer client.Close()
	if w.Shut.Load() || w.Cut.Load() {
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
			if err != nil || w.Mode.CompareAndSwap(AnswerLost, Passing) {
				_ = server.Close()
				return
			}
			if _, err := client.Write(buf[:n]); err != nil {
				_ = server.Close()
				return
			}
		}
	}()
	buf := make([]byte, 1<<16)
	for {
		n, err := client.Read(buf)
		switch {
		case err != nil || w.Cut.Load():
			_ = server.Close()
			return
		case w.Mode.CompareAndSwap(RequestLost, Passing):
			_ = server.Close()
			return
		case w.Mode.CompareAndSwap(RequestLate, Passing):
			_ = client.Close()
			<-w.Late
			_, _ = server.Write(buf[:n])
			if w, ok := server.(*net.UnixConn); ok {
				_ = w.CloseWrite()
			}
			_, _ = io.Copy(io.Discard, server)
			close(w.Arrived)
			return
		}
		if _, err := server.Write(buf[:n]); err != nil {
			return
		}
	}
}
