package cli

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"thawtrail/internal/service"
	"thawtrail/internal/store/pg/pgtest"
	"thawtrail/internal/trust/local"
	pb "thawtrail/proto/thawtrail/v1"
)

// nobody is a user without a home, and stranger one who shares nothing with it.
const (
	nobody   = 65534
	stranger = 65533
)

// installed is what the system makes of a unit before it starts it, below a folder of the test.
type installed struct {
	t *testing.T
	service.Service
	credentials string
	notify      *net.UnixConn
}

func install(t *testing.T) *installed {
	t.Helper()
	dir := t.TempDir()
	require.NoError(t, os.Chmod(filepath.Dir(dir), 0o711)) // #nosec G302 -- another user comes through
	i := &installed{t: t, credentials: filepath.Join(dir, "credentials")}
	i.Service = service.New("linux", "server", filepath.Join(dir, "thawtrail"), false)
	i.Data, i.Doors, i.Secret, i.Settings = filepath.Join(dir, "data"), filepath.Join(dir, "doors"), filepath.Join(dir, "server.key"), filepath.Join(dir, "thawtrail.toml")
	program, err := os.ReadFile(os.Args[0])
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(i.Binary, program, 0o755))
	require.NoError(t, os.WriteFile(i.Settings, []byte("[server]\nlisten = \"127.0.0.1:0\"\npages = \"127.0.0.1:0\"\nlog-as = \"json\"\n"), 0o644))
	key := filepath.Join(i.credentials, "server.key")
	for path, mode := range map[string]os.FileMode{i.Data: 0o700, i.Doors: 0o750, i.credentials: 0o700} {
		require.NoError(t, os.Mkdir(path, mode))
		require.NoError(t, os.Chmod(path, mode))
	}
	require.NoError(t, os.WriteFile(key, bytes.Repeat([]byte{7}, 32), 0o400))
	if os.Geteuid() == 0 {
		for _, path := range []string{i.Data, i.Doors, key, i.credentials} {
			require.NoError(t, os.Chown(path, nobody, nobody))
		}
	}
	i.notify, err = net.ListenUnixgram("unixgram", &net.UnixAddr{Name: filepath.Join(dir, "notify"), Net: "unixgram"})
	require.NoError(t, err)
	require.NoError(t, os.Chmod(filepath.Join(dir, "notify"), 0o666))
	t.Cleanup(func() { _ = i.notify.Close() })
	return i
}

// as is a command of the program as a user, in an environment that has no more than the
// system gives a service. Who is not root can only be themselves.
func (i *installed) as(user, group uint32, words ...string) *exec.Cmd {
	cmd := exec.Command(i.Binary, words...)
	cmd.Dir = "/"
	cmd.Env = []string{asProgram + "=1", "CREDENTIALS_DIRECTORY=" + i.credentials, "THAWTRAIL_DOORS=" + i.Doors, "NOTIFY_SOCKET=" + i.notify.LocalAddr().String()}
	if os.Geteuid() == 0 {
		cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: user, Gid: group}}
	}
	return cmd
}

// start runs the unit's own line, as systemd reads it, and waits until it says that it is ready.
func (i *installed) start() (cmd *exec.Cmd, errs *heardLog) {
	i.t.Helper()
	line := regexp.MustCompile(`(?m)^ExecStart=(.*)$`).FindStringSubmatch(i.Unit())[1]
	words := strings.Fields(strings.ReplaceAll(line, "${CREDENTIALS_DIRECTORY}", i.credentials))
	require.Equal(i.t, i.Binary, words[0])
	cmd, errs = i.as(nobody, nobody, words[1:]...), &heardLog{}
	cmd.Stderr = errs
	require.NoError(i.t, cmd.Start())
	i.t.Cleanup(func() { _ = cmd.Process.Kill() })
	told := make([]byte, 64)
	require.NoError(i.t, i.notify.SetReadDeadline(time.Now().Add(30*time.Second)))
	n, err := i.notify.Read(told)
	require.NoError(i.t, err, "%s", errs)
	require.Equal(i.t, "READY=1", string(told[:n]))
	return cmd, errs
}

// The line of the unit runs as a user without a home, from an empty environment, opens its
// folder without a person, lets in who may enter the folder of its doors and nobody else,
// and ends with 0 when the system says so, after answering what it was asked.
func TestAServiceRunsWithoutAHome(t *testing.T) {
	i := install(t)
	out, err := i.as(nobody, nobody, "server", "init", "--data", i.Data, "--practice", "Alder Creek", "--zone", "UTC", "--owner", "M. Alder",
		"--key-file", filepath.Join(i.credentials, "server.key"), "--sheet", filepath.Join(i.Data, "sheet")).CombinedOutput()
	require.NoError(t, err, "%s", out)
	cmd, errs := i.start()
	errs.hears(t, `"level":"INFO"`)

	t.Setenv("THAWTRAIL_DOORS", i.Doors)
	t.Setenv("XDG_RUNTIME_DIR", t.TempDir())
	door, err := local.OfData(i.Data)
	require.NoError(t, err)
	out, err = i.as(stranger, nobody, "status", "--at", door.Address).CombinedOutput()
	require.NoError(t, err, "one of the service's group: %s", out)
	if os.Geteuid() == 0 {
		out, err = i.as(stranger, stranger, "status", "--at", door.Address).CombinedOutput()
		require.Error(t, err)
		require.Contains(t, string(out), "another user")
	}
	acknowledged := i.writeUntilItEnds(door, cmd)
	require.Positive(t, acknowledged)
	require.NoError(t, cmd.Wait(), "%s", errs)
	require.NoFileExists(t, door.Socket)

	again, errs := i.start()
	require.GreaterOrEqual(t, i.records(), acknowledged, "what was answered is kept")
	i.reload(again, "[server]\nlisten = \"127.0.0.1:0\"\npages = \"127.0.0.1:0\"\nlog-as = \"json\"\nlog-level = \"warn\"\nname = \"other\"\n")
	errs.hears(t, `"a setting was reloaded","setting":"log-level","value":"warn"`)
	errs.hears(t, `"a setting has changed and counts at the next start","setting":"name"`)
	i.reload(again, "[server]\nlissten = \"x\"\n")
	errs.hears(t, `"the settings were not reloaded: nothing has changed","error":`)
	errs.hears(t, "line 2: server.lissten is no setting")
	require.NoError(t, again.Process.Signal(syscall.SIGTERM))
	require.NoError(t, again.Wait(), "%s", errs)
}

// A host's own line runs the same way: it reads the keys of its practices itself, also that
// of one that is begun while it runs.
func TestAHostRunsAsAService(t *testing.T) {
	i := install(t)
	binary, data, doors, keys, file := i.Binary, i.Data, i.Doors, i.credentials, i.Settings
	i.Service = service.New("linux", service.Host, binary, false)
	i.Data, i.Doors, i.Keys, i.Settings = data, doors, keys, file
	require.NotContains(t, i.Unit(), "LoadCredential")
	require.NoError(t, os.WriteFile(file, []byte("[host]\nlisten = \"127.0.0.1:0\"\nlog-as = \"json\"\n"), 0o644))
	begin := func(name string) {
		t.Helper()
		out, err := i.as(nobody, nobody, "server", "init", "--data", filepath.Join(data, name), "--practice", name, "--zone", "UTC", "--owner", "M. Alder",
			"--key-file", filepath.Join(keys, name+".key"), "--sheet", filepath.Join(keys, name+".sheet")).CombinedOutput()
		require.NoError(t, err, "%s", out)
	}
	begin("alder")
	cmd, errs := i.start()
	out, err := i.as(nobody, nobody, "status", "--at", filepath.Join(data, "alder")).CombinedOutput()
	require.NoError(t, err, "%s", out)
	begin("birch")
	require.NoError(t, cmd.Process.Signal(syscall.SIGTERM))
	require.NoError(t, cmd.Wait(), "%s", errs)
	cmd, errs = i.start()
	out, err = i.as(nobody, nobody, "status", "--at", filepath.Join(data, "birch")).CombinedOutput()
	require.NoError(t, err, "%s", out)
	require.NoError(t, cmd.Process.Signal(syscall.SIGTERM))
	require.NoError(t, cmd.Wait(), "%s", errs)
}

// The bench starts this very program as a host, has every practice opened once and makes
// the links of laptops; its numbers are looked at elsewhere.
func TestBenchOfManyPractices(t *testing.T) {
	t.Setenv(asProgram, "1")
	t.Setenv("XDG_RUNTIME_DIR", t.TempDir())
	code, out, errs := runLine(t, "bench", "--only", "hosted_open", "--quick", "--json", "--practices", "30", "--active", "20", "--dir", t.TempDir())
	require.Zero(t, code, errs)
	var opened, idle map[string]any
	answers := json.NewDecoder(strings.NewReader(out))
	require.NoError(t, answers.Decode(&opened))
	require.NoError(t, answers.Decode(&idle))
	require.Equal(t, "hosted_open", opened["name"])
	require.EqualValues(t, 3, opened["opened"])
	require.EqualValues(t, 100, opened["records_each"])
	require.EqualValues(t, 16, idle["links"], "eight laptops of each of two")
	require.Positive(t, idle["mb"])
	code, _, _ = runLine(t, "bench", "--only", "hosted_open", "--records", "0")
	require.Equal(t, exitRefused, code)
}

// The bench starts this very program three times on one database, and a hold goes through
// them; its numbers are looked at elsewhere.
func TestBenchOfProcesses(t *testing.T) {
	url := pgtest.Begin(t).URL()
	t.Setenv(asProgram, "1")
	t.Setenv("XDG_RUNTIME_DIR", t.TempDir())
	code, out, errs := runLine(t, "bench", "--only", "urgent_database", "--quick", "--json", "--dir", t.TempDir(), "--database", url)
	require.Zero(t, code, errs)
	var got map[string]any
	require.NoError(t, json.Unmarshal([]byte(out), &got))
	require.EqualValues(t, 20, got["n"])
	require.Positive(t, got["p99_ms"])
}

// reload changes the file of settings and asks for it to be read.
func (i *installed) reload(cmd *exec.Cmd, text string) {
	i.t.Helper()
	require.NoError(i.t, os.WriteFile(i.Settings, []byte(text), 0o644))
	require.NoError(i.t, cmd.Process.Signal(syscall.SIGHUP))
}

// heardLog is what a running program writes to its log.
type heardLog struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (l *heardLog) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(b)
}

func (l *heardLog) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

// hears waits until the log tells something.
func (l *heardLog) hears(t *testing.T, want string) {
	t.Helper()
	require.Eventually(t, func() bool { return strings.Contains(l.String(), want) }, 30*time.Second, 10*time.Millisecond, "%s\nin\n%s", want, l)
}

// client is a connection through the service's door.
func (i *installed) client(door local.Door) *grpc.ClientConn {
	target, options := door.Target()
	conn, err := grpc.NewClient(target, options...)
	require.NoError(i.t, err)
	i.t.Cleanup(func() { _ = conn.Close() })
	return conn
}

// writeUntilItEnds enters places, says SIGTERM in the middle, and counts what was answered.
// No call that was begun is dropped: it is answered, or refused before it is begun.
func (i *installed) writeUntilItEnds(door local.Door, cmd *exec.Cmd) (acknowledged int64) {
	i.t.Helper()
	client := pb.NewRecordServiceClient(i.client(door))
	for {
		_, err := client.Write(i.t.Context(), &pb.WriteRequest{Entry: &pb.Entry{Body: &pb.Entry_PlaceAdded{PlaceAdded: &pb.PlaceAdded{
			Name: fmt.Sprintf("shelf %d", acknowledged), Kind: pb.PlaceKind_PLACE_KIND_FREEZER}}}})
		if err != nil {
			require.Equal(i.t, codes.Unavailable, status.Code(err), "%v", err)
			require.NotContains(i.t, err.Error(), "error reading from server")
			return acknowledged
		}
		if acknowledged++; acknowledged == 20 {
			require.NoError(i.t, cmd.Process.Signal(syscall.SIGTERM))
		}
	}
}

func (i *installed) records() int64 {
	i.t.Helper()
	door, err := local.OfData(i.Data)
	require.NoError(i.t, err)
	out, err := pb.NewAuditServiceClient(i.client(door)).GetStatus(i.t.Context(), &pb.GetStatusRequest{})
	require.NoError(i.t, err)
	return out.Records
}

// A passphrase that other users can read starts nothing, and the refusal names its mode.
func TestAServiceRefusesAnOpenSecret(t *testing.T) {
	path := filepath.Join(t.TempDir(), "passphrase")
	require.NoError(t, os.WriteFile(path, []byte("abbey acorn actor adobe alarm\n"), 0o600))
	require.NoError(t, os.Chmod(path, 0o644))
	for _, program := range []string{"agent", "server"} {
		code, _, errs := runLine(t, program, "--data", t.TempDir(), "--passphrase-file", path)
		require.Equal(t, exitRefused, code)
		require.Contains(t, errs, "mode 0644")
	}
	code, _, errs := runLine(t, "service", "install", "server", "--show", "--passphrase-file", path, "--key-file", path)
	require.Equal(t, exitRefused, code)
	require.Contains(t, errs, "one of --passphrase-file and --key-file")
}

// What would be done is shown without doing it, for each system, also as JSON.
func TestAServiceIsShown(t *testing.T) {
	for system, want := range map[string]string{"linux": "ProtectSystem=strict", "darwin": "<key>KeepAlive</key>", "windows": "sc.exe create thawtrail-agent"} {
		code, out, errs := runLine(t, "service", "install", "agent", "--show", "--system", system)
		require.Zero(t, code, errs)
		require.Contains(t, out, want)
	}
	code, out, _ := runLine(t, "service", "install", "agent", "--show", "--json")
	require.Zero(t, code)
	require.Contains(t, out, `"steps"`)
	for _, words := range [][]string{{"install", "fridge"}, {"start", "agent", "--show", "--system", "plan9"}, {"stop", "agent", "--system", "linux"}, {"status"}} {
		code, _, _ := runLine(t, append([]string{"service"}, words...)...)
		require.Equal(t, exitRefused, code)
	}
}
