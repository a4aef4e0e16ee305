//go:build linux

package agent_test

import (
	"context"
	"fmt"
	"net"
	"net/netip"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"thawtrail/internal/node"
	"thawtrail/internal/store/pg"
	"thawtrail/internal/store/pg/pgtest"
	"thawtrail/internal/testrun"
	"thawtrail/internal/trust/vault"
	"thawtrail/internal/wholefile"
	pb "thawtrail/proto/thawtrail/v1"
	"thawtrail/server"
)

func database(t *testing.T, url string) *pg.Database {
	t.Helper()
	d, err := pg.Open(t.Context(), pg.Options{URL: url, Patience: 2 * time.Second, Lease: time.Second})
	require.NoError(t, err)
	t.Cleanup(d.Close)
	return d
}

// beginIn begins a practice in a database. Nothing of it lies on this disk afterwards that
// another machine would need.
func beginIn(t *testing.T, d *pg.Database, name string) {
	t.Helper()
	_, err := server.Init(t.Context(), server.InitConfig{
		Data: filepath.Join(t.TempDir(), name), Database: d, Secret: secret(t), Cost: cheap, Practice: "Practice of " + name,
		Zone: "Australia/Sydney", Currency: "AUD", Owner: "M. Alder",
	})
	require.NoError(t, err)
}

// process is a real server, which can be killed.
type process struct {
	t       *testing.T
	running *exec.Cmd
	ended   chan error
}

const (
	processIs   = "THAWTRAIL_TEST_SERVER"
	processURL  = "THAWTRAIL_TEST_DATABASE"
	processData = "THAWTRAIL_TEST_DATA"
	processAt   = "THAWTRAIL_TEST_LISTEN"
)

// TestServerProcess is such a process when it is told so.
func TestServerProcess(t *testing.T) {
	if os.Getenv(processIs) == "" {
		t.Skip("it is run by other tests")
	}
	log := &said{}
	d := database(t, os.Getenv(processURL))
	ready := func(string) { require.NoError(t, os.WriteFile(os.Getenv(processData)+".ready", nil, 0o600)) }
	var err error
	switch os.Getenv(processIs) {
	case "many":
		err = server.Host(t.Context(), hostOf(t, d, os.Getenv(processData), os.Getenv(processAt), log, ready))
	case "one":
		err = server.Run(t.Context(), server.Config{
			Data: os.Getenv(processData), Database: d, Secret: secret(t), Listen: os.Getenv(processAt), Ready: ready, Log: log.logger(), StateEvery: 20 * time.Millisecond,
		})
	}
	require.NoError(t, err, log.text())
}

// hostOf is one of several processes on a database. They know each other by their addresses.
func hostOf(t *testing.T, d *pg.Database, practices, listen string, log *said, ready func(string)) server.HostConfig {
	return server.HostConfig{
		Practices: practices, Database: d, Listen: listen, Log: log.logger(), StateEvery: 20 * time.Millisecond, Ready: func(a string, _ int) { ready(a) },
		Secret:    func(string, wholefile.Names) (*vault.Secret, error) { return secret(t), nil },
		Balancers: []netip.Prefix{netip.MustParsePrefix("127.0.9.0/24")}, MostOpen: 256,
	}
}

// serve starts a process on an empty disk of its own.
func serve(t *testing.T, kind, url, data, listen string) *process {
	t.Helper()
	p := &process{t: t, running: exec.Command(os.Args[0], "-test.run=^TestServerProcess$", "-test.timeout=1h"), ended: make(chan error, 1)}
	p.running.Env = append(os.Environ(), processIs+"="+kind, processURL+"="+url, processData+"="+data, processAt+"="+listen)
	p.running.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	p.running.Stdout, p.running.Stderr = os.Stderr, os.Stderr
	require.NoError(t, os.MkdirAll(data, 0o700))
	require.NoError(t, os.RemoveAll(data+".ready"))
	require.NoError(t, p.running.Start())
	go func() { p.ended <- p.running.Wait() }()
	t.Cleanup(p.kill)
	eventually(t, "the process is ready", func() bool { _, err := os.Stat(data + ".ready"); return err == nil })
	return p
}

func (p *process) kill() {
	_ = p.running.Process.Kill()
	select {
	case <-p.ended:
		p.ended <- nil
	case <-time.After(10 * time.Second):
		p.t.Error("it does not end")
	}
}

// inDatabase is a practice in a database, and the process that serves it.
func inDatabase(t *testing.T, url string) (*clinic, *process) {
	t.Helper()
	beginIn(t, database(t, url), "alder")
	c := &clinic{t: t, addr: testrun.Address(t), log: &said{}}
	return c, c.anew(url)
}

// anew serves the practice by a process on an empty disk.
func (c *clinic) anew(url string) *process {
	c.t.Helper()
	c.dir = filepath.Join(c.t.TempDir(), "alder")
	p := serve(c.t, "one", url, c.dir, c.addr)
	c.conn = dial(c.t, c.dir)
	c.hub = pb.NewHubServiceClient(c.conn)
	return p
}

// writes adds a place, and gives its record. A laptop is never blocked.
func (l *laptop) writes(name string) string {
	l.t.Helper()
	answer, err := l.record.Write(l.t.Context(), place(name))
	require.NoError(l.t, err)
	return answer.Record
}

// held waits until the server has said that it holds a record.
func (l *laptop) held(record string) {
	l.t.Helper()
	eventually(l.t, "the server says that it holds "+record, func() bool { return l.saved(record) == pb.SavedState_SAVED_STATE_HELD_ON_SERVER })
}

// The server is killed, and the database, and the server's machine is lost with its disk.
// Whatever a laptop was told is held is there, by a process that began on an empty disk.
func TestAServerOnADatabase(t *testing.T) {
	t.Setenv("XDG_RUNTIME_DIR", t.TempDir())
	cluster := pgtest.Begin(t)
	c, first := inDatabase(t, cluster.URL())
	a, b := c.join("car", "J. Reed", pb.Role_ROLE_CLINIC), c.join("van", "K. Birch", pb.Role_ROLE_CLINIC)
	a.held(a.writes("barn 1"))

	// The database is killed. Laptops go on alone, and nothing is called held meanwhile.
	cluster.Kill()
	alone := a.writes("barn 2")
	time.Sleep(time.Second)
	require.NotEqual(t, pb.SavedState_SAVED_STATE_HELD_ON_SERVER, a.saved(alone))
	cluster.Start(t)
	a.held(alone)

	// The server is killed while both write; another one, on an empty disk, goes on.
	records := []string{}
	for i := range 20 {
		records = append(records, a.writes(fmt.Sprintf("stall %d", i)))
	}
	first.kill()
	began := time.Now()
	c.anew(cluster.URL())
	t.Logf("another process answered after %v", time.Since(began).Round(time.Millisecond))
	b.held(b.writes("yard"))
	for _, r := range records {
		a.held(r)
	}
	c.same(a)
	c.same(b)
	t.Logf("all of it went on after %v; 10 s is the goal", time.Since(began).Round(time.Millisecond))
	status, err := pb.NewAuditServiceClient(c.conn).GetStatus(t.Context(), &pb.GetStatusRequest{})
	require.NoError(t, err)
	require.Empty(t, status.Repairs, "nothing is amiss")
}

// fromBehind is an address of the network from which processes believe each other.
func fromBehind(t *testing.T, last int) string {
	t.Helper()
	_, port, err := net.SplitHostPort(testrun.Address(t))
	require.NoError(t, err)
	return fmt.Sprintf("127.0.9.%d:%s", last, port)
}

// Three processes serve two practices of one database. A link may come to any of them; the one
// that has the practices is killed, and the others go on. No record that was called held is
// lost, and the hub's log, which all three wrote one after another, did not come apart.
func TestAnyProcessServesAnyPractice(t *testing.T) {
	names := []string{"north", "south"}
	cluster := databaseOf(t, names)
	d := database(t, cluster.URL())
	addresses := []string{fromBehind(t, 1), fromBehind(t, 2), fromBehind(t, 3)}
	folders := []string{t.TempDir(), t.TempDir(), t.TempDir()}
	first := serve(t, "many", cluster.URL(), folders[0], addresses[0])
	log, stops := &said{}, map[string]func(){}
	for i := 1; i < 3; i++ {
		stops[addresses[i]] = hostOn(t, database(t, cluster.URL()), folders[i], addresses[i], log, func(*server.HostConfig) {})
	}
	clinicAt := func(i int, name string) *clinic {
		c := &clinic{t: t, dir: filepath.Join(folders[i], name), addr: addresses[2], log: log}
		c.conn = dial(t, c.dir)
		c.hub = pb.NewHubServiceClient(c.conn)
		return c
	}
	var laptops []*laptop
	records := map[*laptop][]string{}
	for _, name := range names {
		c := clinicAt(0, name) // its door takes the practice for the first process
		for i, who := range []string{"J. Reed", "K. Birch"} {
			l := newLaptop(t, fmt.Sprintf("%s %d", name, i))
			l.server = addresses[1+i] + "," + addresses[2-i]
			c.enrol(l, who, pb.Role_ROLE_CLINIC)
			laptops = append(laptops, l)
		}
	}
	write := func(l *laptop, what string) {
		answer, err := l.record.Write(t.Context(), place(l.name+" "+what))
		require.NoError(t, err)
		records[l] = append(records[l], answer.Record)
	}
	held := func() {
		for l, all := range records {
			for _, r := range all {
				l.held(r)
			}
		}
	}
	for _, l := range laptops {
		write(l, "before")
	}
	held()
	for i := range names {
		address, open, err := d.Holder(t.Context(), names[i])
		require.NoError(t, err)
		require.True(t, open)
		require.Equal(t, addresses[0], address, "links are handed on to the process that has the practice")
	}

	for _, l := range laptops {
		write(l, "at the end")
	}
	first.kill()
	began := time.Now()
	for _, l := range laptops {
		write(l, "after")
	}
	held()
	t.Logf("all was held again %v after the process was killed; 10 s is the goal", time.Since(began).Round(time.Millisecond))
	for i, name := range names {
		address, open, err := d.Holder(t.Context(), name)
		require.NoError(t, err)
		require.True(t, open)
		c := clinicAt(slices.Index(addresses, address), name)
		for _, l := range laptops[2*i : 2*i+2] {
			c.same(l)
		}
		status, err := pb.NewAuditServiceClient(c.conn).GetStatus(t.Context(), &pb.GetStatusRequest{})
		require.NoError(t, err)
		require.Empty(t, status.Repairs, "nothing is amiss")
	}

	// One that is stopped gives back what it has: the next need not wait for the lease's end.
	leaves, _, err := d.Holder(t.Context(), names[0])
	require.NoError(t, err)
	stops[leaves]()
	address, open, err := d.Holder(t.Context(), names[0])
	require.NoError(t, err)
	require.False(t, open && address == leaves)
	for _, l := range laptops {
		write(l, "at last")
	}
	held()
}

// A process that is cut off from the database, while laptops reach it and others reach the
// database, lets its links go: the laptops find another process.
func TestAProcessThatIsCutOff(t *testing.T) {
	t.Setenv("XDG_RUNTIME_DIR", t.TempDir())
	cluster := pgtest.Begin(t)
	way := pgtest.Between(t, cluster)
	beginIn(t, database(t, cluster.URL()), "north")
	addresses := []string{testrun.Address(t), testrun.Address(t)}
	log := &said{}
	var c *clinic
	for i, url := range []string{way.URL(), cluster.URL()} {
		own, err := pg.Open(t.Context(), pg.Options{URL: url, Patience: 500 * time.Millisecond, Lease: 200 * time.Millisecond})
		require.NoError(t, err)
		t.Cleanup(own.Close)
		folder := t.TempDir()
		hostOn(t, own, folder, addresses[i], log, func(*server.HostConfig) {})
		if i == 0 {
			c = &clinic{t: t, dir: filepath.Join(folder, "north"), addr: addresses[0], log: log}
			c.conn = dial(t, c.dir)
			c.hub = pb.NewHubServiceClient(c.conn)
		}
	}
	l := newLaptop(t, "car")
	l.server = addresses[0] + "," + addresses[1]
	c.enrol(l, "J. Reed", pb.Role_ROLE_CLINIC)
	l.held(l.writes("barn 1"))
	way.Shut.Store(true)
	way.Cut.Store(true)
	last := l.writes("barn 2")
	require.Eventually(t, func() bool { return l.saved(last) == pb.SavedState_SAVED_STATE_HELD_ON_SERVER }, 2*time.Minute, 20*time.Millisecond)
}

// The database is lost for good, and its standby takes its place: whatever a laptop was told
// is held is there, and the server goes on with it.
func TestAStandbyTakesTheDatabasesPlace(t *testing.T) {
	t.Setenv("XDG_RUNTIME_DIR", t.TempDir())
	cluster := pgtest.Begin(t)
	standby := cluster.Standby(t)
	url := cluster.With(standby)
	beginIn(t, database(t, url), "alder")
	data, listen := filepath.Join(t.TempDir(), "alder"), testrun.Address(t)
	serve(t, "one", url, data, listen)
	c := &clinic{t: t, dir: data, addr: listen, log: &said{}}
	c.conn = dial(t, data)
	c.hub = pb.NewHubServiceClient(c.conn)
	l := c.join("car", "J. Reed", pb.Role_ROLE_CLINIC)
	var all []string
	for i := range 30 {
		if i == 20 {
			for _, r := range all {
				l.held(r)
			}
			cluster.Kill()
		}
		answer, err := l.record.Write(t.Context(), place(fmt.Sprintf("stall %d", i)))
		require.NoError(t, err)
		all = append(all, answer.Record)
	}
	began := time.Now()
	standby.Promote(t)
	for _, r := range all {
		l.held(r)
	}
	t.Logf("all was held %v after the standby was told; 10 s is the goal", time.Since(began).Round(time.Millisecond))
	c.same(l)
	status, err := pb.NewAuditServiceClient(c.conn).GetStatus(t.Context(), &pb.GetStatusRequest{})
	require.NoError(t, err)
	require.Empty(t, status.Repairs, "nothing is amiss")
}

// An older image of the database is put back, under a process whose disk is empty: nothing
// there says that the practice had come further. The laptops give back what they hold, the
// server's own records among it, and its log goes on without a second story.
func TestAnOlderDatabaseIsPutBack(t *testing.T) {
	t.Setenv("XDG_RUNTIME_DIR", t.TempDir())
	cluster := pgtest.Begin(t)
	c, first := inDatabase(t, cluster.URL())
	a, b := c.join("car", "J. Reed", pb.Role_ROLE_CLINIC), c.join("van", "K. Birch", pb.Role_ROLE_CLINIC)
	a.held(a.writes("barn 1"))

	conn, err := pgx.Connect(t.Context(), cluster.URL())
	require.NoError(t, err)
	defer func() { require.NoError(t, conn.Close(context.Background())) }()
	tables := []string{"thawtrail_practice", "thawtrail_opening", "thawtrail_leaf", "thawtrail_small"}
	all := func(statement string) {
		t.Helper()
		tx, err := conn.BeginTx(t.Context(), pgx.TxOptions{IsoLevel: pgx.RepeatableRead}) // all of one moment, as in a backup
		require.NoError(t, err)
		for _, table := range tables {
			_, err := tx.Exec(t.Context(), fmt.Sprintf(statement, table))
			require.NoError(t, err)
		}
		require.NoError(t, tx.Commit(t.Context()))
	}
	all("CREATE TABLE image_of_%[1]s AS TABLE %[1]s")
	a.held(a.writes("barn 2"))
	c.same(a)
	c.same(b)
	d := c.join("trailer", "L. Wood", pb.Role_ROLE_CLINIC) // the server itself wrote of this one
	d.held(d.writes("barn 3"))
	c.same(a)
	first.kill()
	all("TRUNCATE %[1]s; INSERT INTO %[1]s TABLE image_of_%[1]s")

	// Alone at first: what another laptop had given back by then would not be missed.
	b.stop()
	d.stop()
	c.anew(cluster.URL())
	a.held(a.writes("barn 4"))
	b.start()
	d.start()
	b.held(b.writes("barn 5"))
	d.held(d.writes("barn 6"))
	for _, l := range []*laptop{a, b, d} {
		c.same(l)
	}
	// Not in the status: that is of the last hello, and one that follows finds all there again.
	require.Contains(t, a.log.text(), "hub_lost_data", "who was told that it was held says so")
	status, err := pb.NewAuditServiceClient(c.conn).GetStatus(t.Context(), &pb.GetStatusRequest{})
	require.NoError(t, err)
	require.Contains(t, fmt.Sprint(status.Repairs), "this machine goes on in new logs")
	require.NotContains(t, fmt.Sprint(status.Differences), "fork")
}

// databaseOf is a database of practices.
func databaseOf(t *testing.T, names []string) *pgtest.Cluster {
	t.Helper()
	t.Setenv("XDG_RUNTIME_DIR", t.TempDir())
	cluster := pgtest.Begin(t)
	d := database(t, cluster.URL())
	for _, name := range names {
		beginIn(t, d, name)
	}
	return cluster
}

// hostOn serves the practices of a database from a folder of this machine.
func hostOn(t *testing.T, d *pg.Database, dir, listen string, log *said, change func(*server.HostConfig)) (stop func()) {
	t.Helper()
	_, stop = run(t, func(ctx context.Context, ready func(string)) error {
		cfg := hostOf(t, d, dir, listen, log, ready)
		change(&cfg)
		return server.Host(ctx, cfg)
	})
	return stop
}

// owned opens a practice through its door, and says what its owner may do there. It tries
// again: a host that is full lets nobody in before it has seen that the last one left.
func owned(t *testing.T, dir string) []string {
	t.Helper()
	c := &clinic{t: t, dir: dir, conn: dial(t, dir)}
	defer c.conn.Close()
	eventually(t, dir+" answers", func() bool {
		_, err := pb.NewAuditServiceClient(c.conn).GetStatus(t.Context(), &pb.GetStatusRequest{})
		return err == nil
	})
	return c.roles("M. Alder")
}

// What a process built of practices that are closed stays on its disk within bounds, after a
// start too, and can be built again.
func TestIndexesOfClosedPracticesAreBounded(t *testing.T) {
	names := []string{"east", "north", "south"}
	cluster := databaseOf(t, names)
	dir, log, listen := t.TempDir(), &said{}, fromBehind(t, 1)
	start := func(indexBytes int64) (stop func()) {
		return hostOn(t, database(t, cluster.URL()), dir, listen, log, func(c *server.HostConfig) { c.MostOpen, c.IndexBytes = 1, indexBytes })
	}
	kept := func() (out []string) {
		for _, name := range names {
			if _, err := os.Stat(filepath.Join(dir, name, "index")); err == nil {
				out = append(out, name)
			}
		}
		return out
	}
	stop := start(1 << 30)
	for _, name := range names { // each takes the place of the one before
		require.NotEmpty(t, owned(t, filepath.Join(dir, name)))
	}
	stop()
	require.Equal(t, names, kept(), "there is room")
	one := wholefile.Bytes(filepath.Join(dir, "south", "index"))

	stop = start(one + one/2)
	eventually(t, "the one that was closed last is kept", func() bool { return slices.Equal(kept(), []string{"south"}) })
	for _, name := range []string{"north", "east", "south", "north"} {
		require.NotEmpty(t, owned(t, filepath.Join(dir, name)), name)
	}
	eventually(t, "one that is closed is kept beside the open one", func() bool { return slices.Equal(kept(), []string{"north", "south"}) })
	stop()
	require.NotContains(t, log.text(), "cannot be dropped")
}

// Two processes that save into one folder save each practice that nobody asks for, once.
func TestClosedPracticesOfADatabaseAreBackedUp(t *testing.T) {
	names := []string{"east", "north", "south"}
	cluster := databaseOf(t, names)
	to, log := t.TempDir(), &said{}
	for i := range 2 {
		hostOn(t, database(t, cluster.URL()), t.TempDir(), fromBehind(t, 1+i), log, func(c *server.HostConfig) {
			c.Backups = node.BackupPlan{To: to, Every: time.Hour, Keep: 5}
		})
	}
	made := func() (out []string) {
		for _, name := range names {
			list, err := filepath.Glob(filepath.Join(to, name, "*.books"))
			require.NoError(t, err)
			out = append(out, list...)
		}
		return out
	}
	eventually(t, "each is saved", func() bool { return len(made()) == len(names) })
	time.Sleep(time.Second)
	require.Len(t, made(), len(names), "once")
	require.NotContains(t, log.text(), "not backed up")
}
