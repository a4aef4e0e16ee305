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

// carriedBooks begins a practice, not encrypted, and writes its books into a file.
func carriedBooks(t testing.TB) (data, path, code string) {
	t.Helper()
	t.Setenv("XDG_RUNTIME_DIR", t.TempDir())
	data, path = t.TempDir(), filepath.Join(t.TempDir(), "books")
	var out, errs bytes.Buffer
	command := func(args ...string) {
		out.Reset()
		d := newDesk(&out, &errs)
		require.Zero(t, run(context.Background(), d, args), "%q: %s", args, errs.String())
	}
	command("server", "init", "--data", data, "--practice", "Alder Creek Equine", "--zone", "Australia/Sydney", "--owner", "M. Alder", "--no-passphrase")
	command("books", "write", path, "--data", data, "--json")
	var written struct{ Code string }
	require.NoError(t, json.Unmarshal(out.Bytes(), &written))
	return data, path, written.Code
}

// TestBooksThatCannotBeRead are refused on one line by the command on a folder
// whose program is stopped.
func TestBooksThatCannotBeRead(t *testing.T) {
	data, path, code := carriedBooks(t)
	whole, err := os.ReadFile(path)
	require.NoError(t, err)
	other := "7K2M-4QPD-0XZ9-HH"
	if _, _, elsewhere := carriedBooks(t); elsewhere != code {
		other = elsewhere
	}
	flipped := bytes.Clone(whole)
	flipped[len(flipped)/2] ^= 1
	photo := append([]byte("\xff\xd8\xff\xe0\x00\x10JFIF\x00"), bytes.Repeat([]byte{7, 0xff}, 40_000)...)
	for what, c := range map[string]struct {
		file []byte
		code string
	}{
		"another file's code": {whole, other},
		"a photo":             {photo, code},
		"an empty file":       {nil, code},
		"half a file":         {whole[:len(whole)/2], code},
		"a flipped byte":      {flipped, code},
		"its first bytes":     {whole[:20], code},
	} {
		given := filepath.Join(t.TempDir(), "given")
		require.NoError(t, os.WriteFile(given, c.file, 0o600))
		exit, out, errs := runLine(t, "books", "read", given, "--code", c.code, "--data", data)
		require.Equal(t, exitRefused, exit, "%s: %s", what, errs)
		require.Equal(t, 1, strings.Count(errs, "\n"), "%s: one line: %q", what, errs)
		require.Empty(t, out, what)
	}
	exit, _, errs := runLine(t, "books", "read", t.TempDir(), "--code", code, "--data", data)
	require.Equal(t, exitRefused, exit, "a folder: %s", errs)
	exit, _, errs = runLine(t, "books", "read", path, "--code", code, "--data", data)
	require.Zero(t, exit, errs)
}

// FuzzBooksRead hands any file and any code to the real command on a stopped
// folder: it is taken, or it is refused on one line.
func FuzzBooksRead(f *testing.F) {
	data, path, code := carriedBooks(f)
	whole, err := os.ReadFile(path)
	require.NoError(f, err)
	f.Add(whole, code)
	f.Add(whole[:len(whole)-1], code)
	f.Add(whole[:64], code)
	f.Add(append(bytes.Clone(whole), 0), code)
	f.Add([]byte{}, "7K2M-4QPD-0XZ9-HH")
	f.Add([]byte("\xff\xd8\xff\xe0"), "")
	given := filepath.Join(f.TempDir(), "given")
	f.Fuzz(func(t *testing.T, file []byte, typed string) {
		require.NoError(t, os.WriteFile(given, file, 0o600))
		var out, errs bytes.Buffer
		exit := run(context.Background(), newDesk(&out, &errs), []string{"books", "read", given, "--code=" + typed, "--data", data})
		switch {
		case exit == exitDone && bytes.Equal(file, whole):
		case exit == exitRefused && strings.Count(errs.String(), "\n") == 1 && out.Len() == 0:
		default:
			t.Fatalf("exit %d: %q, %q", exit, out.String(), errs.String())
		}
	})
}
