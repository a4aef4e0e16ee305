package cli

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/service"
)

// ofTheService are settings that a service is started with, so that they do not stand in its
// file: what is typed counts before it.
var ofTheService = map[string]bool{
	"data": true, "doors": true, "log-file": true, "key-file": true, "passphrase-file": true,
	"practices": true, "keys": true,
	"no-passphrase": true, // and this one opens nothing that a service keeps
}

var settingLine = regexp.MustCompile(`(?m)^# ([a-z-]+) = (".*")$`)

// TestTheSettingsFileNamesEverySetting, under its section, and no other; with the marks taken
// away it is a file that is read.
func TestTheSettingsFileNamesEverySetting(t *testing.T) {
	_, text, _ := strings.Cut(service.SettingsText, "[server]\n")
	ofServer, text, ok := strings.Cut(text, "[agent]\n")
	require.True(t, ok)
	ofAgent, ofHost, ok := strings.Cut(text, "[host]\n")
	require.True(t, ok)
	for section, text := range map[string]string{"server": ofServer, "agent": ofAgent, "host": ofHost} {
		var named, settings []string
		for _, m := range settingLine.FindAllStringSubmatch(text, -1) {
			named = append(named, m[1])
		}
		for _, d := range daemons() {
			if d.section != section {
				continue
			}
			for _, f := range d.flags {
				if !ofTheService[f.name] {
					settings = append(settings, f.name)
				}
			}
		}
		require.ElementsMatch(t, settings, named, section)
	}
	path := filepath.Join(t.TempDir(), "thawtrail.toml")
	require.NoError(t, os.WriteFile(path, []byte(settingLine.ReplaceAllString(service.SettingsText, "$1 = $2")), 0o600))
	for _, program := range []string{"agent", "server", "host"} {
		code, out, errs := runLine(t, "config", program, "--settings", path)
		require.Zero(t, code, errs)
		require.Contains(t, out, "127.0.0.1:427")
	}
}
