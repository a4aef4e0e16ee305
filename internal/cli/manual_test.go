package cli

import (
	"slices"
	"strings"
	"testing"

	"github.com/spf13/cobra"
	"github.com/stretchr/testify/require"
)

// TestTheManualsTellOfEveryCommand, and of every word that its help explains.
func TestTheManualsTellOfEveryCommand(t *testing.T) {
	t.Setenv(envAddress, "192.0.2.7:1") // of the machine that packs the release, and of no other
	pages, err := Manuals("1.2.3", "2026-11-29")
	require.NoError(t, err)
	d, _, _ := testDesk(t)
	root := d.root()
	everyCommand(root, func(c *cobra.Command) {
		if c.Hidden || c.Name() == "help" {
			return
		}
		first := strings.Fields(c.CommandPath())[1]
		page := pages["thawtrail-"+first+".1"]
		require.NotEmpty(t, page, c.CommandPath())
		require.Contains(t, pages["thawtrail.1"], `.B "`+roff(first)+`"`)
		if c.Example == "" {
			return
		}
		require.Contains(t, page, roff("thawtrail "+c.Example), c.CommandPath())
		for _, s := range helpSections(c) {
			for _, pair := range s.pairs {
				require.Contains(t, page, `.B "`+roff(pair[0])+`"`, c.CommandPath())
			}
		}
	})
	for name, page := range pages {
		require.NotContains(t, page, "192.0.2.7", name)
		require.Contains(t, page, `"2026\-11\-29" "thawtrail 1.2.3"`, name)
		requireManualLines(t, name, page)
	}
}

// requireManualLines: what begins with a point is a macro that we meant.
func requireManualLines(t *testing.T, name, page string) {
	t.Helper()
	meant := []string{"TH", "SH", "SS", "PP", "TP", "B", "nf", "fi"}
	for l := range strings.Lines(page) {
		if macro, is := strings.CutPrefix(l, "."); is {
			require.Contains(t, meant, strings.Fields(macro)[0], name)
		}
		require.False(t, strings.HasPrefix(l, "'"), name)
		for _, part := range strings.Split(l, `\`)[1:] {
			require.True(t, slices.ContainsFunc([]string{"e", "-", "&", "(dq"}, func(s string) bool { return strings.HasPrefix(part, s) }), l)
		}
	}
}

// TestAManualKeepsWhatManWouldTakeForACommand.
func TestAManualKeepsWhatManWouldTakeForACommand(t *testing.T) {
	m := newManual("x", "y", "1", "2026-11-29")
	m.text(".SH no heading\n'quoted' C:\\data --flag")
	m.macro("B", `a "word"`)
	require.Contains(t, m.b.String(), "\\&.SH no heading\n\\&'quoted' C:\\edata \\-\\-flag\n.B \"a \\(dqword\\(dq\"\n")
}
