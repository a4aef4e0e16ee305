package cli

import (
	"encoding/json"
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/store/reach"
	pb "thawtrail/proto/thawtrail/v1"
)

// examined runs doctor on a folder, and gives what it found about each thing.
func examined(t *testing.T, data string) (exit int, states map[string][]finding) {
	t.Helper()
	exit, out, errs := runLine(t, "doctor", "--data", data, "--json")
	require.Empty(t, errs)
	var answer struct {
		OK       bool
		Findings []finding
	}
	require.NoError(t, json.Unmarshal([]byte(out), &answer))
	require.Equal(t, exit == 0, answer.OK)
	states = map[string][]finding{}
	for _, f := range answer.Findings {
		states[f.About] = append(states[f.About], f)
	}
	return exit, states
}

// TestDoctorLooksAtAFolder that nothing runs on: what is wrong is named, with what to do.
func TestDoctorLooksAtAFolder(t *testing.T) {
	t.Setenv("XDG_RUNTIME_DIR", t.TempDir())
	exit, found := examined(t, filepath.Join(t.TempDir(), "nowhere"))
	require.Equal(t, exitFailed, exit)
	require.Equal(t, stateAct, found["folder"][0].State)
	exit, found = examined(t, t.TempDir())
	require.Equal(t, exitFailed, exit)
	require.Contains(t, found["folder"][0].Says, "no server or agent was begun")

	data := filepath.Join(t.TempDir(), "clinic")
	code, _, errs := runLine(t, "server", "init", "--data", data, "--practice", "Alder Creek Equine", "--zone", "Etc/UTC", "--owner", "M. Alder", "--no-passphrase")
	require.Zero(t, code, errs)
	exit, found = examined(t, data)
	require.Zero(t, exit, found)
	require.Equal(t, stateLook, found["running"][0].State)
	for _, about := range []string{"program", "folder", "disk", "losses"} {
		require.Equal(t, stateGood, found[about][0].State, about)
	}
	_, out, _ := runLine(t, "doctor", "--data", data)
	require.Contains(t, out, "good program: thawtrail")

	require.NoError(t, reach.Tell(data, reach.Notice{Text: "4 records that were saved here are gone"}))
	exit, found = examined(t, data)
	require.Equal(t, exitFailed, exit)
	require.Contains(t, found["losses"][0].Says, "4 records")
	require.Contains(t, found["losses"][0].Do, "--seen")

	if runtime.GOOS == "windows" {
		return
	}
	require.Equal(t, stateGood, found["keys"][0].State)
	require.NoError(t, os.Chmod(filepath.Join(data, "device.key"), 0o644))
	_, found = examined(t, data)
	require.Contains(t, found["keys"][0].Says, "device.key (mode 0644)")
	require.Contains(t, found["keys"][0].Do, "chmod 600 "+filepath.Join(data, "device.key"))
	require.NoError(t, os.Chmod(data, 0o755))
	_, found = examined(t, data)
	require.Equal(t, stateLook, found["folder"][0].State)
}

// TestWhatDoctorSaysOfAProgram by what a running one answers.
func TestWhatDoctorSaysOfAProgram(t *testing.T) {
	now := time.Date(2026, 11, 25, 3, 0, 0, 0, time.UTC)
	ago := func(d time.Duration) *pb.ShowBackupsResponse {
		return &pb.ShowBackupsResponse{LastWallUs: now.Add(-d).UnixMicro(), LastFile: "clinic.books", LastRecords: 12}
	}
	says := func(fill func(*checkup)) []finding {
		c := &checkup{}
		fill(c)
		return c.found
	}
	only := func(about, state string, found []finding) finding {
		var met []finding
		for _, f := range found {
			if f.About == about {
				met = append(met, f)
			}
		}
		require.Len(t, met, 1, about)
		require.Equal(t, state, met[0].State, met[0].Says)
		if state != stateGood && about != "repaired" && about != "differs" {
			require.NotEmpty(t, met[0].Do)
		}
		return met[0]
	}
	status := func(st *pb.GetStatusResponse) []finding { return says(func(c *checkup) { c.status(st) }) }

	laptop := status(&pb.GetStatusResponse{Server: "clinic.example:4280", Link: "connected", SavedHere: 2, HeldOnServer: 40, ClockOffsetMs: 90_000, ClockBoundMs: 50})
	require.Equal(t, "connected to clinic.example:4280; 2 records of this machine wait here, 40 are held there", only("link", stateGood, laptop).Says)
	only("clock", stateGood, laptop)
	laptop = status(&pb.GetStatusResponse{Server: "clinic.example:4280", Link: "not connected: timeout", SavedHere: 1, ClockOffsetMs: -3_600_000, RoomLeftBytes: new(int64(9 << 20)),
		Parts: []*pb.PartRow{{Part: "index on the disk", Problem: "no room"}}, Repairs: []string{"the index was built again"}, SetAside: []string{"a run of laptop 4"}, Differences: []string{"log 1 is forked"}})
	require.Contains(t, only("clock", stateAct, laptop).Says, "1h0m0s")
	require.Contains(t, only("link", stateLook, laptop).Says, "1 record of this machine wait")
	only("disk", stateAct, laptop)
	require.Equal(t, "index on the disk: no room", only("part", stateAct, laptop).Says)
	only("repaired", stateLook, laptop)
	only("set aside", stateLook, laptop)
	only("differs", stateLook, laptop)
	only("link", stateLook, status(&pb.GetStatusResponse{Link: "no server: this laptop works alone"}))
	server := status(&pb.GetStatusResponse{Hub: true})
	only("clock", stateGood, server)

	backup := func(server bool, known *pb.ShowBackupsResponse) []finding {
		return says(func(c *checkup) { c.backup(server, known, now) })
	}
	require.Contains(t, only("backup", stateAct, backup(true, &pb.ShowBackupsResponse{})).Says, "there was none")
	require.Contains(t, only("backup", stateAct, backup(true, ago(49*time.Hour))).Says, "2 days old: clinic.books")
	require.Contains(t, only("backup", stateGood, backup(true, ago(3*time.Hour))).Says, "3 hours ago, 12 records: clinic.books")
	only("backup", stateGood, backup(false, &pb.ShowBackupsResponse{}))
}
