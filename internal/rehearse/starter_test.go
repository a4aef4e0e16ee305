package rehearse

import (
	"context"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// built is the program, built once for the tests that start it as people do.
func built(t *testing.T) string {
	t.Helper()
	program := filepath.Join(t.TempDir(), "thawtrail")
	cmd := exec.Command("go", "build", "-o", program, "thawtrail/cmd/thawtrail")
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, "%s", out)
	return program
}

// TestTheRealLaptopBeginsOne starts one as the button does, throws it away, and begins
// again; it ends with the agent beside it.
func TestTheRealLaptopBeginsOne(t *testing.T) {
	t.Setenv("XDG_RUNTIME_DIR", t.TempDir())
	program := built(t)
	t.Setenv("TMPDIR", t.TempDir())
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	s := NewStarter(ctx, program)
	s.Beside("127.0.0.1:1", "http://127.0.0.1:2/enter/once")
	begins := func() string {
		s.Start()
		s.Start() // pressed twice
		require.Eventually(t, func() bool { return s.State().URL != "" || s.State().Trouble != "" }, patience, 20*time.Millisecond)
		require.Empty(t, s.State().Trouble)
		require.Len(t, folders(t), 1)
		return s.State().URL
	}
	first := begins()
	answer, err := http.Get(first)
	require.NoError(t, err)
	page, err := io.ReadAll(answer.Body)
	require.NoError(t, err)
	require.NoError(t, answer.Body.Close())
	require.Contains(t, string(page), `<body class="rehearsal">`)
	s.Discard()
	require.Empty(t, s.State())
	require.Empty(t, folders(t), "nothing is left on the disk")
	require.NotEqual(t, first, begins())
	cancel()
	require.Eventually(t, func() bool { return len(folders(t)) == 0 }, patience, 20*time.Millisecond)
}

func folders(t *testing.T) []string {
	t.Helper()
	all, err := filepath.Glob(filepath.Join(os.TempDir(), folderName+"*"))
	require.NoError(t, err)
	return all
}

// TestARehearsalThatDoesNotBeginSaysWhy has a program that ends at once.
func TestARehearsalThatDoesNotBeginSaysWhy(t *testing.T) {
	s := NewStarter(t.Context(), filepath.Join(t.TempDir(), "absent"))
	s.Start()
	require.True(t, strings.Contains(s.State().Trouble, "absent"), s.State().Trouble)
	require.Empty(t, s.State().URL)
}
