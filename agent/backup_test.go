package agent_test

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/clock"
	"thawtrail/internal/node"
	pb "thawtrail/proto/thawtrail/v1"
	"thawtrail/server"
)

// backedUp is what `backup --json` and `backup check --json` print.
type backedUp struct {
	OK         bool
	Records    int64
	Until      time.Time
	WentOn     int64    `json:"went_on"`
	Wrong      []string `json:"wrong"`
	SheetOpens bool     `json:"sheet_opens"`
}

func backupCommand(t *testing.T, words ...string) (out backedUp) {
	t.Helper()
	code, printed := command(t, append(words, "--json")...)
	require.Zero(t, code, printed)
	// What is told on the way stands before the answer.
	for i := range printed {
		if printed[i] == '{' {
			require.NoError(t, json.Unmarshal([]byte(printed[i:]), &out), printed)
			return out
		}
	}
	t.Fatal(printed)
	return out
}

// TestABackupThatWasBrokenOffGoesOn cuts the file of a backup at places of every kind,
// spoils it, and puts another practice's in its place. What comes out is whole each time,
// and what was saved meanwhile is in it.
func TestABackupThatWasBrokenOffGoesOn(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	clinic := &laptop{t: t, record: pb.NewRecordServiceClient(c.conn), audit: pb.NewAuditServiceClient(c.conn)}
	for i := range 40 {
		clinic.place(fmt.Sprintf("shelf %d", i), "M. Alder")
	}
	_, err := clinic.record.Write(t.Context(), &pb.WriteRequest{Author: "M. Alder", Entry: &pb.Entry{Body: &pb.Entry_ClientAdded{ClientAdded: &pb.ClientAdded{Name: &pb.Sealed{Plain: "P. Hollis"}}}}})
	require.NoError(t, err)
	dir := t.TempDir()
	file := filepath.Join(dir, "clinic.books")
	first := backupCommand(t, "backup", file, "--data", c.dir)
	require.True(t, first.OK && first.SheetOpens)
	whole, err := os.ReadFile(file)
	require.NoError(t, err)
	require.NotContains(t, string(whole), "shelf 3", "it is encrypted")

	part := file + ".part"
	for name, cut := range map[string][]byte{
		"nothing": nil, "a few bytes": whole[:10], "its beginning": whole[:24], "half a head": whole[:100], "half": whole[:len(whole)/2],
		"all but a byte": whole[:len(whole)-1], "all of it": whole, "something else": []byte("hello"),
		"a byte spoiled": append(append([]byte{}, whole[:200]...), append([]byte{whole[200] ^ 1}, whole[201:]...)...),
	} {
		require.NoError(t, os.WriteFile(part, cut, 0o600))
		late := clinic.place("late: "+name, "M. Alder")
		out := backupCommand(t, "backup", file, "--data", c.dir)
		require.True(t, out.OK, name)
		require.NoFileExists(t, part, name)
		checked := backupCommand(t, "backup", "check", file, "--data", c.dir)
		require.Equal(t, out.Records, checked.Records, name)
		require.Empty(t, checked.Wrong, name)
		if name != "all of it" {
			require.Greater(t, out.Records, first.Records, "%s: what was saved meanwhile (%s) is in it", name, late)
		}
		if name == "half" {
			require.Positive(t, out.WentOn)
		}
	}

	other := newClinic(t)
	require.NoError(t, os.WriteFile(part, whole[:len(whole)-1], 0o600))
	code, printed := command(t, "backup", file, "--data", other.dir)
	require.Zero(t, code, printed)
	require.NotZero(t, checkCode(t, file, c.dir), "the code of one practice opens no file of another")
	require.Zero(t, checkCode(t, file, other.dir))
}

func checkCode(t *testing.T, file, dir string) int {
	t.Helper()
	code, _ := command(t, "backup", "check", file, "--data", dir)
	return code
}

// TestABackupIsCheckedToItsLastRecord spoils a backup at every kind of place: what is
// damaged is never told as good, and makes no server.
func TestABackupIsCheckedToItsLastRecord(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	file := filepath.Join(t.TempDir(), "clinic.books")
	backupCommand(t, "backup", file, "--data", c.dir)
	whole, err := os.ReadFile(file)
	require.NoError(t, err)
	for _, at := range []int{0, 7, 12, 30, len(whole) / 2, len(whole) - 1} {
		bad := append([]byte{}, whole...)
		bad[at] ^= 0x20
		require.NoError(t, os.WriteFile(file, bad, 0o600))
		require.NotZero(t, checkCode(t, file, c.dir), "byte %d", at)
	}
	require.NoError(t, os.WriteFile(file, whole[:len(whole)-20], 0o600))
	require.NotZero(t, checkCode(t, file, c.dir), "cut off")
}

// TestALaptopsBackup opens with the code that it shows, and makes a server with it and the
// sheet; the last good one is remembered over a restart and a rebuilt index.
func TestALaptopsBackup(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	l := c.join("north", "J. Reed", pb.Role_ROLE_VET, pb.Role_ROLE_CLINIC)
	c.same(l)
	file := filepath.Join(t.TempDir(), "north.books")
	out := backupCommand(t, "backup", file, "--data", l.dir)
	require.True(t, out.OK)
	require.False(t, out.SheetOpens)
	shown, err := pb.NewCarryServiceClient(l.conn).ShowBackups(t.Context(), &pb.ShowBackupsRequest{})
	require.NoError(t, err)
	require.Equal(t, file, shown.LastFile)
	require.Equal(t, out.Records, shown.LastRecords)

	books, err := os.ReadFile(file)
	require.NoError(t, err)
	restored, err := server.Restore(t.Context(), c.restoreConfig(books, shown.Code))
	require.NoError(t, err)
	require.Equal(t, out.Records, restored.Records)

	l.stop()
	require.NoError(t, os.RemoveAll(filepath.Join(l.dir, "index")))
	l.start()
	again, err := pb.NewCarryServiceClient(l.conn).ShowBackups(t.Context(), &pb.ShowBackupsRequest{})
	require.NoError(t, err)
	require.Equal(t, shown.LastWallUs, again.LastWallUs)
	require.Equal(t, shown.Code, again.Code)
}

// TestBackupsByThemselves: a plan is kept by the clock that the program is given, keeps as
// many as it says, tells of a folder that is not there and goes on once it is.
func TestBackupsByThemselves(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	c.stop()
	at := clock.NewManual(time.Now())
	to := filepath.Join(t.TempDir(), "disk")
	cfg := server.Config{Data: c.dir, Secret: secret(t), Listen: "127.0.0.1:0", Clock: at, Log: c.log.logger(),
		Backups: node.BackupPlan{To: to, Every: 50 * time.Millisecond, Keep: 2}}
	_, stop := run(t, func(ctx context.Context, ready func(string)) error {
		cfg.Ready = ready
		return server.Run(ctx, cfg)
	})
	eventually(t, "it is said that the folder is not there", func() bool { return strings.Contains(c.log.text(), "a folder that is there") })
	require.NoDirExists(t, to, "a disk that is not there does not become a folder")
	require.NoError(t, os.Mkdir(to, 0o700))
	made := func() []string {
		list, err := filepath.Glob(filepath.Join(to, "*.books"))
		require.NoError(t, err)
		return list
	}
	eventually(t, "the first one", func() bool { return len(made()) == 1 })
	first := made()[0]
	for range 3 {
		was := made()
		at.Advance(time.Hour)
		eventually(t, "the next one", func() bool { now := made(); return len(now) > 0 && now[len(now)-1] != was[len(was)-1] })
	}
	eventually(t, "no more than two stay", func() bool { return len(made()) == 2 })
	require.NoFileExists(t, first)
	stop()
	code, printed := command(t, "backup", "check", made()[1], "--data", c.dir, "--passphrase-file", passphraseFile(t))
	require.Zero(t, code, printed)
}

// passphraseFile is a file with the passphrase of the tests' folders.
func passphraseFile(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "passphrase")
	require.NoError(t, os.WriteFile(path, []byte(passphrase+"\n"), 0o600))
	return path
}
