package agent_test

import (
	"os"
	"testing"
)

// TestMain gives the doors of all that runs here one place: the tests run side by side,
// and each program's door is named after its folder.
func TestMain(m *testing.M) {
	os.Exit(func() int {
		dir, err := os.MkdirTemp("", "thawtrail-doors-")
		if err != nil {
			panic(err)
		}
		defer os.RemoveAll(dir)
		if err := os.Setenv("XDG_RUNTIME_DIR", dir); err != nil {
			panic(err)
		}
		return m.Run()
	}())
}
