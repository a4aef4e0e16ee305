package cli

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/refusal"
)

func settingsFile(t *testing.T, text string) string {
	path := filepath.Join(t.TempDir(), "thawtrail.toml")
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	return path
}

// What is typed counts before the environment, that before the file; and each says where
// it is from.
func TestWhereASettingIsFrom(t *testing.T) {
	f := newAgentFlags()
	s := f.settings("agent")
	s.file.texts = []string{settingsFile(t, "[agent]\ndata = \"/srv/file\"\nserver = \"clinic.example:4270\"\nname = \"file\"\nno-passphrase = true\n[server]\nlisten = \"0.0.0.0:4270\"\n")}
	t.Setenv("THAWTRAIL_DATA", "/srv/environment")
	t.Setenv("THAWTRAIL_NAME", "environment")
	f.name.texts = []string{"typed"}
	all, err := s.read()
	require.NoError(t, err)
	from := map[string]found{}
	for _, one := range all {
		from[one.name] = one
	}
	require.Equal(t, found{"name", "typed", "typed"}, from["name"])
	require.Equal(t, found{"data", "/srv/environment", "THAWTRAIL_DATA"}, from["data"])
	require.Equal(t, found{"server", "clinic.example:4270", s.file.text()}, from["server"])
	require.Equal(t, "true", f.unlock.none.text())
	require.Equal(t, found{name: "listen"}, from["listen"], "another program's")
	require.Equal(t, "clinic.example:4270", f.clinic.text())
}

// A slip in a file is refused with its line, also in the other program's section: it would
// be a setting that nobody has.
func TestASlipInAFileOfSettings(t *testing.T) {
	for text, want := range map[string]string{
		"[agent]\ndata = \"x\"\nlissten = \"y\"\n":   "line 3: agent.lissten is no setting",
		"[server]\nphone = \"y\"\n":                  "line 2: server.phone is no setting",
		"[agent]\ndata = \n":                         "line 2",
		"[laptop]\ndata = \"x\"\n":                   "laptop is no setting",
		"[agent]\ndata = [\"x\"]\n":                  "agent.data is no text",
		"[agent]\n" + strings.Repeat("# x\n", 1<<15): "",
	} {
		s := newAgentFlags().settings("agent")
		s.file.texts = []string{settingsFile(t, text)}
		_, err := s.read()
		require.ErrorContains(t, err, want)
	}
	s := newServerFlags().settings("server")
	s.file.texts = []string{"/nowhere/thawtrail.toml"}
	_, err := s.read()
	refused, ok := refusal.As(err)
	require.True(t, ok)
	require.Equal(t, "settings", refused.Field)
}

// TestConfigShowsWhatCounts prints what an agent would be started with, without starting it.
func TestConfigShowsWhatCounts(t *testing.T) {
	path := settingsFile(t, "[agent]\nserver = \"clinic.example:4270\"\n")
	t.Setenv("THAWTRAIL_SETTINGS", path)
	code, out, errs := runLine(t, "config", "agent")
	require.Zero(t, code, errs)
	require.Contains(t, out, "clinic.example:4270")
	require.Contains(t, out, "not set")
	code, out, errs = runLine(t, "config", "agent", "--json")
	require.Zero(t, code, errs)
	var object map[string]map[string]string
	require.NoError(t, json.Unmarshal([]byte(out), &object))
	require.Equal(t, map[string]string{"value": "clinic.example:4270", "from": path}, object["server"])
	code, _, errs = runLine(t, "config", "fridge")
	require.Equal(t, exitRefused, code)
	require.Contains(t, errs, "agent, server or host")
}

// FuzzSettings reads files that people, editors and full disks leave.
func FuzzSettings(f *testing.F) {
	f.Add([]byte("[agent]\ndata = \"x\"\n"))
	f.Add([]byte("[server]\nlisten = 1\nno-passphrase = true\n[server.listen]"))
	f.Add([]byte("agent = 1979-05-27T07:32:00Z"))
	f.Fuzz(func(t *testing.T, raw []byte) {
		path := filepath.Join(t.TempDir(), "x.toml")
		require.NoError(t, os.WriteFile(path, raw, 0o600))
		s := newAgentFlags().settings("agent")
		s.file.texts = []string{path}
		if _, err := s.read(); err != nil {
			require.NotEmpty(t, err.Error())
		}
	})
}
