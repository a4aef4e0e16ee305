package main

import (
	"archive/tar"
	"archive/zip"
	"bytes"
	"compress/gzip"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/service"
)

var packedAt = time.Date(2026, 11, 29, 11, 55, 44, 0, time.FixedZone("", 3600))

var packed = []entry{{"folder/thawtrail", 0o755, []byte("program")}, {"folder/notices.txt", 0o644, bytes.Repeat([]byte("words "), 1000)}}

// TestAnArchiveIsTheSameEachTime, in whatever zone and second it is packed, and gives
// back what went in.
func TestAnArchiveIsTheSameEachTime(t *testing.T) {
	for name, pack := range map[string]func([]entry, time.Time) ([]byte, error){"tar": tarball, "zip": zipped} {
		first, err := pack(packed, packedAt)
		require.NoError(t, err)
		again, err := pack(packed, packedAt.UTC())
		require.NoError(t, err)
		require.Equal(t, first, again, name)
		other, err := pack(packed, packedAt.Add(time.Hour))
		require.NoError(t, err)
		require.NotEqual(t, first, other, name)
	}
}

func TestATarballHoldsWhatWentIn(t *testing.T) {
	raw, err := tarball(packed, packedAt)
	require.NoError(t, err)
	unzipped, err := gzip.NewReader(bytes.NewReader(raw))
	require.NoError(t, err)
	r := tar.NewReader(unzipped)
	for _, e := range packed {
		head, err := r.Next()
		require.NoError(t, err)
		require.Equal(t, e.name, head.Name)
		require.Equal(t, int64(e.mode), head.Mode)
		require.True(t, packedAt.Equal(head.ModTime))
		require.Zero(t, head.Uid)
		body, err := io.ReadAll(r)
		require.NoError(t, err)
		require.Equal(t, e.body, body)
	}
	_, err = r.Next()
	require.ErrorIs(t, err, io.EOF)
}

func TestAZipHoldsWhatWentIn(t *testing.T) {
	raw, err := zipped(packed, packedAt)
	require.NoError(t, err)
	r, err := zip.NewReader(bytes.NewReader(raw), int64(len(raw)))
	require.NoError(t, err)
	for _, e := range packed {
		body, err := fs.ReadFile(r, e.name)
		require.NoError(t, err)
		require.Equal(t, e.body, body)
	}
	require.True(t, packedAt.Equal(r.File[0].Modified))
}

// TestPackagesBetweenReleasesComeBeforeTheRelease, and in the order of their commits: a
// tilde sorts before everything, the end too.
func TestPackagesBetweenReleasesComeBeforeTheRelease(t *testing.T) {
	require.Equal(t, "1.2.3", packageVersion("1.2.3", packedAt))
	require.Equal(t, "1.2.3~20261129.105544+abcdef0", packageVersion("1.2.3+abcdef0", packedAt))
}

// TestAReleaseGoesIntoAFolderOfItsOwn: what lay there before would be summed as a part of it.
func TestAReleaseGoesIntoAFolderOfItsOwn(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, (&builder{out: filepath.Join(dir, "new")}).begin(t.Context()))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "old.zip"), nil, 0o600))
	require.ErrorContains(t, (&builder{out: dir}).begin(t.Context()), "not empty")
}

// TestSumsAreOfAllFiles.
func TestSumsAreOfAllFiles(t *testing.T) {
	b := &builder{out: t.TempDir()}
	require.NoError(t, b.write("b", []byte("hello\n")))
	require.NoError(t, b.write("a", nil))
	require.NoError(t, b.writeSums(t.Context()))
	sums, err := os.ReadFile(filepath.Join(b.out, sumsFile))
	require.NoError(t, err)
	require.Equal(t, "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855  a\n"+
		"5891b5b522d5df086d0ff0b110fbd9d21bb4fc7163af34d08286a2e846f6be03  b\n", string(sums))
}

// TestAReleaseMayBeForSomeSystems: a slip in a name is no release for fewer systems.
func TestAReleaseMayBeForSomeSystems(t *testing.T) {
	all, err := chosen(nil)
	require.NoError(t, err)
	require.Equal(t, targets, all)
	some, err := chosen([]string{"windows/arm64", "linux/amd64"})
	require.NoError(t, err)
	require.Equal(t, []target{{"windows", "arm64"}, {"linux", "amd64"}}, some)
	_, err = chosen([]string{"linux/amd46"})
	require.ErrorContains(t, err, "linux/amd46")
	require.ErrorContains(t, err, "linux/amd64")
}

// TestAPackageHoldsBothServicesAsTheyAreInstalled: their units start the program that the
// package brings, with the settings that it brings.
func TestAPackageHoldsBothServicesAsTheyAreInstalled(t *testing.T) {
	b := &builder{programs: map[target][]byte{}, texts: texts{manuals: map[string]string{"thawtrail.1": ".TH"}, watching: watching(t)}}
	for _, p := range packagers {
		all, err := b.installed(target{"linux", "arm64"}, p)
		require.NoError(t, err)
		at := map[string]string{}
		for _, e := range all {
			require.NotContains(t, at, e.name)
			require.NotEqual(t, '/', rune(e.name[0]), e.name)
			at[e.name] = string(e.body)
		}
		for _, name := range []string{"thawtrail-agent", "thawtrail-server"} {
			unit := at["usr/lib/systemd/system/"+name+".service"]
			require.Contains(t, unit, "\nExecStart="+binary+" ")
			require.Contains(t, unit, " --settings /etc/thawtrail/thawtrail.toml ")
			require.Contains(t, unit, "\nUser="+service.User+"\n")
		}
		require.Equal(t, service.SettingsText, at["usr/share/thawtrail/thawtrail.toml"])
		for name := range at {
			require.False(t, strings.HasPrefix(name, "etc/"), "an upgrade would stop and ask about %s", name)
		}
		require.Contains(t, at["usr/lib/sysusers.d/thawtrail.conf"], service.User)
		require.Contains(t, at, "usr/share/man/man1/thawtrail.1.gz")
		require.Contains(t, at["usr/share/thawtrail/alerts.yaml"], "thawtrail_disk_free_bytes")
		require.Contains(t, at["usr/share/thawtrail/dashboard.json"], "thawtrail_disk_free_bytes")
	}
}

// TestWhatAnInstallerRuns looks at the calls: of a machine that systemd runs by those that
// a program of its name would get, and of one that it does not run none is made.
func TestWhatAnInstallerRuns(t *testing.T) {
	dir := t.TempDir()
	calls := filepath.Join(dir, "calls")
	require.NoError(t, os.WriteFile(filepath.Join(dir, "systemctl"), []byte("#!/bin/sh\necho \"$*\" >> '"+calls+"'\n"), 0o700))
	ran := func(script, word string) string {
		t.Helper()
		require.NoError(t, os.RemoveAll(calls))
		cmd := exec.Command("sh", "-c", script, "script", word)
		cmd.Env = append(os.Environ(), "PATH="+dir+":"+os.Getenv("PATH"))
		out, err := cmd.CombinedOutput()
		require.NoError(t, err, string(out))
		text, _ := os.ReadFile(calls)
		return string(text)
	}
	for _, tt := range []struct{ name, word, calls string }{
		{"postinstall", "configure", "daemon-reload\ntry-restart thawtrail-agent.service thawtrail-server.service\n"},
		{"preremove", "upgrade", ""}, {"preremove", "1", ""},
		{"preremove", "remove", "disable --now thawtrail-agent.service thawtrail-server.service\n"},
		{"preremove", "0", "disable --now thawtrail-agent.service thawtrail-server.service\n"},
		{"postremove", "remove", "daemon-reload\n"},
	} {
		for running, want := range map[bool]string{true: tt.calls, false: ""} {
			where := map[bool]string{true: dir, false: filepath.Join(dir, "absent")}[running]
			script := strings.Replace(scripts[tt.name], "/run/systemd/system", "'"+where+"'", 1)
			require.Equal(t, want, ran(script, tt.word), "%s %s, systemd %v", tt.name, tt.word, running)
		}
	}
}

// watching are the files for a monitor, as a release reads them.
func watching(t *testing.T) []entry {
	t.Chdir("../..")
	out, err := filesOf(watchingFiles...)
	require.NoError(t, err)
	return out
}

// TestAnArchiveHoldsWhatAMonitorIsTold, on every system.
func TestAnArchiveHoldsWhatAMonitorIsTold(t *testing.T) {
	b := &builder{programs: map[target][]byte{}, texts: texts{watching: watching(t)}}
	for _, system := range targets {
		var names []string
		for _, e := range b.archived(system) {
			names = append(names, e.name)
		}
		require.Subset(t, names, []string{"watching/alerts.yaml", "watching/dashboard.json"}, system)
	}
}
