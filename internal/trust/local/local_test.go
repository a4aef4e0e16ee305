package local

import (
	"crypto/rand"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"

	"thawtrail/internal/trust/authority"
)

// daemon answers on loopback and, where there are any, on a socket.
func daemon(t *testing.T) (data string, d Door) {
	t.Helper()
	t.Setenv("XDG_RUNTIME_DIR", t.TempDir())
	data = t.TempDir()
	token, err := NewToken(rand.Reader)
	require.NoError(t, err)
	gate := &authority.Gate{Token: token}
	s := grpc.NewServer(grpc.Creds(NewCredentials()), grpc.UnaryInterceptor(gate.Unary), grpc.StreamInterceptor(gate.Stream))
	healthpb.RegisterHealthServer(s, health.NewServer())
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	go func() { _ = s.Serve(l) }()
	t.Cleanup(s.Stop)
	d = Door{Address: l.Addr().String(), Token: token}
	socket, err := ListenSocket(data)
	require.NoError(t, err)
	if socket != nil {
		d.Socket = socket.Addr().String()
		go func() { _ = s.Serve(socket) }()
	}
	remove, err := d.Write(data)
	require.NoError(t, err)
	t.Cleanup(remove)
	return data, d
}

func check(t *testing.T, target string, options []grpc.DialOption) error {
	t.Helper()
	conn, err := grpc.NewClient(target, options...)
	require.NoError(t, err)
	defer conn.Close()
	_, err = healthpb.NewHealthClient(conn).Check(t.Context(), &healthpb.HealthCheckRequest{})
	return err
}

func TestTheUserGetsIn(t *testing.T) {
	data, d := daemon(t)
	target, options := Target(d.Address)
	require.NoError(t, check(t, target, options))
	found, err := OfData(data)
	require.NoError(t, err)
	require.Equal(t, d, found)
	d.Socket = ""
	target, options = d.Target()
	require.NoError(t, check(t, target, options), "over loopback with the token")
}

func TestOtherUsersDoNot(t *testing.T) {
	_, d := daemon(t)
	stranger := []grpc.DialOption{grpc.WithTransportCredentials(insecure.NewCredentials())}
	require.Equal(t, codes.Unauthenticated, status.Code(check(t, "passthrough:///"+d.Address, stranger)))
	if runtime.GOOS == "windows" {
		return
	}
	info, err := os.Stat(d.Socket)
	require.NoError(t, err)
	require.Zero(t, info.Mode().Perm()&0o077)
	info, err = os.Stat(filepath.Dir(d.Socket))
	require.NoError(t, err)
	require.Zero(t, info.Mode().Perm()&0o077)
	require.NoError(t, os.Chmod(filepath.Dir(d.Socket), 0o755))
	_, err = OfAddress(d.Address)
	require.ErrorContains(t, err, "other users can enter it")
}

func TestACrashedDaemonsSocketIsReplaced(t *testing.T) {
	t.Setenv("XDG_RUNTIME_DIR", t.TempDir())
	data := t.TempDir()
	first, err := ListenSocket(data)
	require.NoError(t, err)
	if first == nil {
		return // no sockets on this system
	}
	first.(*net.UnixListener).SetUnlinkOnClose(false)
	require.NoError(t, first.Close())
	second, err := ListenSocket(data)
	require.NoError(t, err)
	require.NoError(t, second.Close())
}

func FuzzDoor(f *testing.F) {
	f.Add([]byte(`{"address":"127.0.0.1:1","token":"a","key":""}`))
	f.Fuzz(func(t *testing.T, raw []byte) {
		if d, err := parseDoor(raw); err == nil {
			d.Target()
		}
	})
}

// TestADoorThatCannotBeWrittenDown: the daemon opens all the same, and its socket is
// found by its folder and by its address.
func TestADoorThatCannotBeWrittenDown(t *testing.T) {
	t.Setenv("XDG_RUNTIME_DIR", t.TempDir())
	data, address := t.TempDir(), "127.0.0.1:41999"
	dir, err := folder()
	require.NoError(t, err)
	for _, path := range []string{filepath.Join(data, doorFile), filepath.Join(dir, nameOf(address)+".door"), ofDataIn(dir, data)} {
		require.NoError(t, os.MkdirAll(filepath.Join(path, "in the way"), 0o700))
	}
	o, err := Open(data, address, "", nil, rand.Reader)
	require.NoError(t, err)
	require.Error(t, o.Unwritten)
	for _, find := range []func() (Door, error){func() (Door, error) { return OfData(data) }, func() (Door, error) { return OfAddress(address) }} {
		d, err := find()
		require.Equal(t, hasSockets, err == nil, "%v", err)
		require.Equal(t, hasSockets, d.Socket != "")
	}
	o.Close()
	_, err = OfData(data)
	require.ErrorIs(t, err, ErrNoDoor)
	_, err = OfAddress(address)
	require.ErrorIs(t, err, ErrNoDoor)
}

// Many folders may share one address, which then is the way to none of them: the folder is.
func TestTheDoorOfAFolderThatSharesItsAddress(t *testing.T) {
	if !hasSockets {
		t.Skip("commands find a folder's program by its socket")
	}
	t.Setenv("XDG_RUNTIME_DIR", t.TempDir())
	for _, name := range []string{"one", "other"} {
		dir := filepath.Join(t.TempDir(), name)
		require.NoError(t, os.Mkdir(dir, 0o700))
		opened, err := Open(dir, "", "", nil, rand.Reader)
		require.NoError(t, err)
		defer opened.Close()
		require.True(t, IsFolder(dir))
		target, _ := Target(dir)
		require.Equal(t, "unix:"+opened.Listener().Addr().String(), target)
	}
	_, err := OfAddress("")
	require.ErrorIs(t, err, ErrNoDoor)
	require.False(t, IsFolder("127.0.0.1:4270"))
}
