package demo

import (
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
	_ "time/tzdata" // zones on systems that have none
)

// built is the folder of the binary that the tests run.
var built string

// envProgram names the program that the tests run, for machines that have none to build it.
const envProgram = "THAWTRAIL_PROGRAM"

// binary builds the program once for all tests.
var binary = sync.OnceValues(func() (string, error) {
	if path := os.Getenv(envProgram); path != "" {
		return path, nil
	}
	path := filepath.Join(built, "thawtrail.exe")
	out, err := exec.Command("go", "build", "-o", path, "thawtrail/cmd/thawtrail").CombinedOutput()
	if err != nil {
		os.Stderr.Write(out)
	}
	return path, err
})

func TestMain(m *testing.M) {
	dir, err := os.MkdirTemp("", "thawtrail-test-")
	if err != nil {
		panic(err)
	}
	built = dir
	os.Setenv("XDG_RUNTIME_DIR", dir) // killed programs leave their doors here, not with whoever runs the tests
	code := m.Run()
	os.RemoveAll(dir)
	os.Exit(code)
}

func program(t *testing.T) string {
	t.Helper()
	path, err := binary()
	require.NoError(t, err)
	return path
}
