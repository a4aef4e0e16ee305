package replica

import (
	"runtime/debug"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestAVersionLeadsToItsSource: a release is its tag; between releases the commit is
// named, and changes that are in no commit are.
func TestAVersionLeadsToItsSource(t *testing.T) {
	commit := "0123456789abcdef0123456789abcdef01234567"
	for want, b := range map[string]struct {
		main     string
		settings []debug.BuildSetting
	}{
		release:                    {"(devel)", nil},
		"1.4.2":                    {"v1.4.2", []debug.BuildSetting{{Key: "vcs.revision", Value: commit}, {Key: "vcs.modified", Value: "false"}}},
		release + "+0123456":       {"v0.0.0-20261129024034-0123456789ab", []debug.BuildSetting{{Key: "vcs.revision", Value: commit}}},
		release + "+0123456.dirty": {"v1.4.2", []debug.BuildSetting{{Key: "vcs.revision", Value: commit}, {Key: "vcs.modified", Value: "true"}}},
	} {
		got := buildOf(&debug.BuildInfo{Main: debug.Module{Version: b.main}, Settings: b.settings})
		require.Equal(t, want, got.version())
	}
}
