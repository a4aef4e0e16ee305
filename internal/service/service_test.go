package service

import (
	"context"
	"errors"
	"flag"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

var update = flag.Bool("update", false, "write the golden files anew")

// whole is all that is done and written for a service on a system.
func whole(system string) string {
	var out strings.Builder
	for _, program := range []string{"server", "agent", Host} {
		binary := map[string]string{"windows": `C:\Program Files\thawtrail\thawtrail.exe`, "darwin": "/usr/local/bin/thawtrail", "linux": "/usr/bin/thawtrail"}[system]
		s := New(system, program, binary, program == "agent")
		s.For = []string{"reed"}
		for _, act := range Acts {
			tellSteps(&out, program+" "+act, s.Steps(act))
		}
		if s.Packaged = system == "linux"; s.Packaged {
			tellSteps(&out, program+" install beside a package", s.Steps("install"))
		}
	}
	return out.String()
}

func tellSteps(out *strings.Builder, what string, steps []Step) {
	for _, step := range steps {
		out.WriteString(what + ": " + step.String() + "\n" + step.Text)
	}
}

// Where a package brought the unit, an installation writes none that would hide the next
// one of the package, and takes away one of before.
func TestAPackagesUnitIsNotHidden(t *testing.T) {
	for _, passphrase := range []bool{false, true} {
		s := New("linux", "server", PackagedBinary, passphrase)
		s.Packaged = true
		var removed, written []string
		for _, step := range s.Steps("install") {
			if step.Remove != "" {
				removed = append(removed, step.Remove)
			}
			if strings.HasPrefix(step.File, "/etc/systemd") {
				written = append(written, step.File)
				require.NotContains(t, step.Text, "ProtectSystem", "what the package says of rights stays the package's")
			}
		}
		require.Contains(t, removed, "/etc/systemd/system/thawtrail-server.service")
		if passphrase {
			require.Equal(t, []string{"/etc/systemd/system/thawtrail-server.service.d/secret.conf"}, written)
		} else {
			require.Empty(t, written)
		}
	}
}

// The folder of backups that the settings name is opened to the service, and shut again when
// they name none.
func TestTheFolderOfBackupsIsOpened(t *testing.T) {
	s := New("linux", "server", PackagedBinary, false)
	s.Backups = "/mnt/the backups"
	var opened Step
	for _, step := range s.Steps("install") {
		if step.File == "/etc/systemd/system/thawtrail-server.service.d/backups.conf" {
			opened = step
		}
	}
	require.Equal(t, "[Service]\nReadWritePaths=-\"/mnt/the backups\"\n", opened.Text)
	s.Backups = ""
	for _, act := range []string{"install", "uninstall"} {
		require.True(t, slices.ContainsFunc(s.Steps(act), func(step Step) bool { return step.Remove == opened.File }), act)
	}
}

// What each of the three systems is told, byte by byte: only one of them is here.
func TestWhatSystemsAreTold(t *testing.T) {
	for _, system := range []string{"linux", "darwin", "windows"} {
		golden := filepath.Join("testdata", system+".golden")
		got := whole(system)
		if *update {
			require.NoError(t, os.WriteFile(golden, []byte(got), 0o644))
		}
		want, err := os.ReadFile(golden)
		require.NoError(t, err)
		require.Equal(t, string(want), got)
	}
	require.Nil(t, New("darwin", Host, "/bin/thawtrail", false).Steps("install"))
	require.Nil(t, New("plan9", "server", "/bin/thawtrail", false).Steps("install"))
}

// in is a service of Linux below a folder of the test, without what only root can do.
func in(dir string) Service {
	s := New("linux", "server", "/usr/bin/thawtrail", false)
	s.Data, s.Settings, s.Secret = filepath.Join(dir, "lib", "server"), filepath.Join(dir, "etc", "thawtrail.toml"), filepath.Join(dir, "etc", "server.key")
	return s
}

// An installation that is done twice keeps the settings and the secret of the first, and
// each file has its mode.
func TestAnInstallationIsDoneTwice(t *testing.T) {
	dir := t.TempDir()
	s := in(dir)
	var ran []string
	run := func(_ context.Context, words []string) (string, error) {
		ran = append(ran, words[0])
		return "", nil // also 'id': the user is there
	}
	steps := s.Steps("install")
	for i := range steps {
		if strings.HasPrefix(steps[i].File, "/etc/systemd") {
			steps[i].File = filepath.Join(dir, "unit")
		}
		if strings.HasPrefix(steps[i].Remove, "/etc/systemd") {
			steps[i].Remove = filepath.Join(dir, "of before")
		}
	}
	drawn := 0
	secret := func() ([]byte, error) { drawn++; return []byte("secret"), nil }
	require.NoError(t, Do(t.Context(), steps, secret, run))
	require.Equal(t, []string{"id", "chown", "systemctl", "systemctl"}, ran)
	require.NoError(t, os.WriteFile(s.Settings, []byte("[server]\nname = \"ours\"\n"), 0o644))
	require.NoError(t, Do(t.Context(), steps, secret, run))
	require.Equal(t, 1, drawn)
	kept, err := os.ReadFile(s.Settings)
	require.NoError(t, err)
	require.Contains(t, string(kept), "ours")
	for path, mode := range map[string]os.FileMode{s.Secret: 0o600, s.Settings: 0o644, filepath.Join(dir, "unit"): 0o644, s.Data: 0o700, filepath.Dir(s.Settings): 0o755} {
		info, err := os.Stat(path)
		require.NoError(t, err)
		require.Equal(t, mode, info.Mode().Perm(), path)
	}
}

// A command that fails ends the act there; one whose failure is none does not.
func TestAStepThatFails(t *testing.T) {
	broken := errors.New("broken")
	var ran int
	run := func(context.Context, []string) (string, error) { ran++; return "", broken }
	require.ErrorIs(t, Do(t.Context(), []Step{{Run: []string{"a"}}, {Run: []string{"b"}}}, nil, run), broken)
	require.Equal(t, 1, ran)
	require.NoError(t, Do(t.Context(), []Step{{Run: []string{"a"}, Anyway: true}}, nil, run))
	require.ErrorIs(t, Do(t.Context(), []Step{{Secret: true, File: filepath.Join(t.TempDir(), "f")}}, func() ([]byte, error) { return nil, broken }, run), broken)
	_, err := System(t.Context(), []string{"false"})
	require.ErrorContains(t, err, "false")
}

func TestStatesAsSystemsTellThem(t *testing.T) {
	unknown := errors.New("unknown")
	for _, c := range []struct {
		system, printed string
		err             error // of the first question
		then            error // of the second
		want            State
	}{
		{"linux", "active", nil, nil, Running}, {"linux", "activating", unknown, nil, Starting}, {"linux", "failed", unknown, nil, Failed},
		{"linux", "inactive", unknown, nil, Stopped}, {"linux", "inactive", unknown, unknown, NotInstalled},
		{"darwin", "\tstate = running\n", nil, nil, Running}, {"darwin", "\tstate = spawn scheduled\n", nil, nil, Failed},
		{"darwin", "", unknown, nil, Stopped}, {"darwin", "", unknown, unknown, NotInstalled},
		{"windows", "SERVICE_NAME: x\r\n        STATE              : 4  RUNNING \r\n", nil, nil, Running},
		{"windows", "        STATE              : 2  START_PENDING \r\n", nil, nil, Starting},
		{"windows", "        STATE              : 1  STOPPED \r\n", nil, nil, Stopped}, {"windows", "        STATE :\r\n", nil, nil, Stopped},
		{"windows", "", unknown, nil, NotInstalled},
	} {
		asked := 0
		run := func(context.Context, []string) (string, error) {
			if asked++; asked == 1 {
				return c.printed, c.err
			}
			return "", c.then
		}
		require.Equal(t, c.want, StateOf(t.Context(), New(c.system, "server", "x", false), run), "%+v", c)
	}
}

// The system that waits for it is told once all answers; where none waits, nobody is.
func TestReady(t *testing.T) {
	t.Setenv(notifySocket, "")
	require.NoError(t, Ready())
	path := filepath.Join(t.TempDir(), "s")
	socket, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	require.NoError(t, err)
	defer socket.Close()
	t.Setenv(notifySocket, path)
	require.NoError(t, Ready())
	told := make([]byte, 64)
	n, err := socket.Read(told)
	require.NoError(t, err)
	require.Equal(t, "READY=1", string(told[:n]))
	t.Setenv(notifySocket, path+"x")
	require.Error(t, Ready())
}
