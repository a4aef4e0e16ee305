package cli

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// startDaemon runs a daemon's command line until the test ends and gives the
// address that it prints.
func startDaemon(t *testing.T, args ...string) (address string) {
	t.Helper()
	ctx, stop := context.WithCancel(context.Background())
	out := make(lineChannel, 16)
	var errs bytes.Buffer
	d := newDesk(out, &errs)
	ended := make(chan int, 1)
	go func() { ended <- run(ctx, d, args) }()
	t.Cleanup(func() {
		stop()
		require.Equal(t, exitDone, <-ended, "%s", errs.String())
	})
	select {
	case said := <-out:
		_, rest, found := strings.Cut(said, " answers at ")
		require.True(t, found, said)
		address, _, _ = strings.Cut(rest, ";")
	case code := <-ended:
		ended <- code
		require.Fail(t, "it did not start", "exit %d: %s", code, errs.String())
	}
	return address
}

// does runs a command line that must be done and reads its JSON answer.
func does(t *testing.T, answer any, args ...string) {
	t.Helper()
	code, out, errs := runLine(t, append(args, "--json")...)
	require.Zero(t, code, "%q: %s", args, errs)
	require.NoError(t, json.Unmarshal([]byte(out), answer))
}

// TestAPracticeByItsCommands begins a practice, lets one laptop in over the
// network and one by files, and shuts one out.
func TestAPracticeByItsCommands(t *testing.T) {
	t.Setenv("XDG_RUNTIME_DIR", t.TempDir())
	clinic, north, west, stick := t.TempDir(), t.TempDir(), t.TempDir(), t.TempDir()
	file := []string{"--passphrase-file", passphraseFile(t)}
	with := func(args ...string) []string { return append(args, file...) }

	code, out, errs := runLine(t, with("server", "init", "--data", clinic, "--practice", "Alder Creek Equine", "--zone", "Australia/Sydney", "--owner", "M. Alder")...)
	require.Zero(t, code, errs)
	require.Contains(t, out, "recovery sheet")
	requireFits(t, out)
	code, _, _ = runLine(t, with("server", "init", "--data", clinic, "--practice", "Again", "--zone", "Etc/UTC", "--owner", "X")...)
	require.Equal(t, exitRefused, code)

	var invited struct{ Code string }
	does(t, &invited, with("server", "invite", "--data", clinic, "--role", "vet", "--person", "J. Reed")...) // the server is stopped
	server := startDaemon(t, with("server", "--data", clinic, "--listen", "127.0.0.1:0")...)
	var joined struct{ Device, Person string }
	does(t, &joined, with("agent", "enrol", strings.ToLower(invited.Code), "--server", server, "--data", north, "--name", "north")...)
	require.Equal(t, "J. Reed", joined.Person)

	does(t, &invited, "server", "invite", "--data", clinic, "--role", "assistant", "--role", "clinic", "--person", "K. Low") // the server runs: no passphrase
	request, answer := filepath.Join(stick, "request"), filepath.Join(stick, "answer")
	does(t, &struct{}{}, with("agent", "enrol", invited.Code, "--request-file", request, "--data", west, "--name", "west")...)
	does(t, &struct{}{}, "server", "admit", request, "--data", clinic, "--out", answer)
	does(t, &joined, with("agent", "enrol", "--answer-file", answer, "--data", west)...)
	require.Equal(t, "K. Low", joined.Person)

	var revoked struct{ Name string }
	does(t, &revoked, "server", "revoke", "--data", clinic, "--device", joined.Device[:8], "--reason", "stolen")
	require.Equal(t, "west", revoked.Name)
	code, out, errs = runLine(t, "people", "--at", server)
	require.Zero(t, code, errs)
	require.Contains(t, out, "north", "also a laptop that has sent nothing yet")
	require.Regexp(t, `west +0 +yes`, out, "and that one is shut out")
	requireFits(t, out)

	// A laptop's agent started with what it joined at needs no address.
	agent := startDaemon(t, with("agent", "--data", north, "--listen", "127.0.0.1:0")...)
	code, _, errs = runLine(t, "status", "--at", agent)
	require.Zero(t, code, errs)
	exit, found := examined(t, north)
	require.Zero(t, exit, found)
	require.Equal(t, stateGood, found["running"][0].State)
	exit, found = examined(t, clinic)
	require.Equal(t, exitFailed, exit)
	require.Equal(t, "there was none", found["backup"][0].Says)
}

// TestAnOwnersLaptopOrdersByItsCommands: the commands of the server's office, typed at the
// owner's laptop, say and print the same.
func TestAnOwnersLaptopOrdersByItsCommands(t *testing.T) {
	t.Setenv("XDG_RUNTIME_DIR", t.TempDir())
	clinic, own, north, stick := t.TempDir(), t.TempDir(), t.TempDir(), t.TempDir()
	file := []string{"--passphrase-file", passphraseFile(t)}
	with := func(args ...string) []string { return append(args, file...) }
	does(t, &struct{}{}, with("server", "init", "--data", clinic, "--practice", "Alder Creek Equine", "--zone", "Australia/Sydney", "--owner", "M. Alder")...)
	hosted := startDaemon(t, with("server", "--data", clinic, "--listen", "127.0.0.1:0")...)
	var invited struct {
		Code, Person string
		ExpiresAt    string `json:"expires_at"`
	}
	does(t, &invited, "server", "invite", "--data", clinic, "--person", "M. Alder")
	var joined struct{ Device string }
	does(t, &joined, with("agent", "enrol", invited.Code, "--server", hosted, "--data", own, "--name", "owner's")...)
	code, _, errs := runLine(t, with("server", "invite", "--data", own, "--person", "J. Reed", "--role", "vet")...)
	require.Equal(t, exitRefused, code)
	require.Contains(t, errs, "start its agent")
	agent := startDaemon(t, with("agent", "--data", own, "--listen", "127.0.0.1:0")...)

	does(t, &invited, "server", "invite", "--data", own, "--person", "J. Reed", "--role", "vet")
	require.Equal(t, "J. Reed", invited.Person)
	require.NotEmpty(t, invited.ExpiresAt)
	request, answer := filepath.Join(stick, "request"), filepath.Join(stick, "answer")
	does(t, &struct{}{}, with("agent", "enrol", invited.Code, "--request-file", request, "--data", north, "--name", "north")...)
	does(t, &struct{}{}, "server", "admit", request, "--at", agent, "--out", answer)
	does(t, &joined, with("agent", "enrol", "--answer-file", answer, "--data", north)...)
	code, out, errs := runLine(t, "server", "revoke", "--at", agent, "--device", joined.Device[:8], "--reason", "stolen")
	require.Zero(t, code, errs)
	require.Contains(t, out, "north is shut out; 0 open links cut.")
	requireFits(t, out)

	code, _, errs = runLine(t, "server", "revoke", "--at", agent, "--device", "zz")
	require.Equal(t, exitRefused, code)
	require.Contains(t, errs, `device: "zz" was refused`, "the server's refusal comes through")
	require.Equal(t, 1, strings.Count(errs, "\n"), errs)

	does(t, &struct{}{}, "pin", "set", "M. Alder", "--pin-file", secretFile(t, "4711"), "--at", agent)
	code, _, errs = runLine(t, "server", "invite", "--at", agent, "--person", "J. Reed")
	require.Equal(t, exitRefused, code)
	require.Contains(t, errs, "pin is missing")
	does(t, &invited, "server", "invite", "--at", agent, "--person", "J. Reed", "--pin-file", secretFile(t, "4711"))
	code, _, errs = runLine(t, "server", "invite", "--at", agent, "--data", own, "--person", "J. Reed")
	require.Equal(t, exitRefused, code, errs)
	code, _, errs = runLine(t, "server", "invite", "--at", "127.0.0.1:1", "--person", "J. Reed")
	require.Equal(t, exitFailed, code)
	require.Contains(t, errs, "no agent answers")
}

// secretFile is a file with one secret in it.
func secretFile(t *testing.T, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "secret")
	require.NoError(t, os.WriteFile(path, []byte(text+"\n"), 0o600))
	return path
}

// TestAServerIsRestoredByCommands writes a laptop's books while it runs, begins a
// new server with them and the sheet, and takes books into stopped folders.
func TestAServerIsRestoredByCommands(t *testing.T) {
	t.Setenv("XDG_RUNTIME_DIR", t.TempDir())
	clinic, north, next, stick := t.TempDir(), t.TempDir(), t.TempDir(), t.TempDir()
	file := []string{"--passphrase-file", passphraseFile(t)}
	with := func(args ...string) []string { return append(args, file...) }
	sheet, books := filepath.Join(stick, "sheet"), filepath.Join(stick, "books")
	does(t, &struct{}{}, with("server", "init", "--data", clinic, "--practice", "Alder Creek Equine", "--zone", "Australia/Sydney", "--owner", "M. Alder", "--sheet", sheet)...)
	var invited struct{ Code string }
	does(t, &invited, with("server", "invite", "--data", clinic, "--role", "vet", "--person", "J. Reed")...)
	address := startDaemon(t, with("server", "--data", clinic, "--listen", "127.0.0.1:0")...)
	does(t, &struct{}{}, with("agent", "enrol", invited.Code, "--server", address, "--data", north, "--name", "north")...)
	var written struct {
		Code    string
		Records int
	}
	does(t, &written, "books", "write", books, "--data", clinic) // it runs: no passphrase
	require.Positive(t, written.Records)

	var restored struct {
		Practice string
		Laptops  []string
	}
	does(t, &restored, with("server", "restore", "--data", next, "--sheet", sheet, "--books", books, "--code", written.Code)...)
	require.Equal(t, "Alder Creek Equine", restored.Practice)
	require.Len(t, restored.Laptops, 1)
	code, _, errs := runLine(t, with("server", "restore", "--data", next, "--sheet", sheet, "--books", books, "--code", written.Code)...)
	require.Equal(t, exitRefused, code)
	require.Contains(t, errs, "an empty folder")

	rows, err := os.ReadFile(sheet)
	require.NoError(t, err)
	slip := filepath.Join(stick, "slip")
	require.NoError(t, os.WriteFile(slip, []byte(strings.Replace(string(rows), "  3   ", "  3   X", 1)), 0o600))
	code, _, errs = runLine(t, with("server", "restore", "--data", t.TempDir(), "--sheet", slip, "--books", books, "--code", written.Code)...)
	require.Equal(t, exitRefused, code)
	require.Contains(t, errs, "row 3 of the sheet")

	// The new server's books go back to a laptop that is stopped, and say it once.
	var read struct {
		RecordsNew string `json:"records_new"`
	}
	does(t, &written, with("books", "write", books, "--data", next)...)
	does(t, &read, with("books", "read", books, "--code", written.Code, "--data", north)...)
	require.NotEqual(t, "0", read.RecordsNew)
	does(t, &read, with("books", "read", books, "--code", written.Code, "--data", north)...)
	require.Equal(t, "0", read.RecordsNew)
	code, out, errs := runLine(t, with("books", "read", books, "--code", written.Code, "--data", north)...)
	require.Zero(t, code, errs)
	require.Contains(t, out, "0 records, of")
	for _, bad := range [][]string{{"books", "read", books, "--code", "7K2M", "--data", north}, {"books", "read", "--code", written.Code, "--data", north}, {"books", "read", filepath.Join(stick, "none"), "--code", written.Code, "--data", north}} {
		code, _, errs = runLine(t, with(bad...)...)
		require.Equal(t, exitRefused, code, errs)
	}
}

// TestChangingThePassphrase keeps what is encrypted and opens by the new one.
func TestChangingThePassphrase(t *testing.T) {
	t.Setenv("XDG_RUNTIME_DIR", t.TempDir())
	dir, old := t.TempDir(), passphraseFile(t)
	does(t, &struct{}{}, "server", "init", "--data", dir, "--practice", "A", "--zone", "Etc/UTC", "--owner", "B", "--passphrase-file", old)
	key := filepath.Join(t.TempDir(), "key")
	var changed struct{ Changed bool }
	does(t, &changed, "passphrase", "--data", dir, "--passphrase-file", old, "--new-key-file", key)
	require.True(t, changed.Changed)
	info, err := os.Stat(key)
	require.NoError(t, err)
	require.EqualValues(t, 32, info.Size())
	code, _, errs := runLine(t, "verify", "--data", dir, "--passphrase-file", old)
	require.Equal(t, exitFailed, code, errs)
	require.Contains(t, errs, "other kind of secret")
	code, _, errs = runLine(t, "verify", "--data", dir, "--key-file", key)
	require.Zero(t, code, errs)
}
