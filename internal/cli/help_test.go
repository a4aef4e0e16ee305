package cli

import (
	"bytes"
	"context"
	"flag"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/spf13/cobra"
	"github.com/stretchr/testify/require"
)

var update = flag.Bool("update", false, "write the golden files anew")

// testDesk has a fixed clock in a fixed zone and an address where nobody is.
func testDesk(t *testing.T) (*console, *bytes.Buffer, *bytes.Buffer) {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Dublin")
	require.NoError(t, err)
	var out, errs bytes.Buffer
	d := newDesk(&out, &errs)
	d.now = func() time.Time { return time.Date(2026, 11, 24, 3, 0, 0, 0, zone) }
	d.zone, d.zoneName, d.address = zone, zone.String(), "127.0.0.1:1"
	return d, &out, &errs
}

// runLine runs one command line.
func runLine(t *testing.T, args ...string) (code int, out, errs string) {
	t.Helper()
	d, o, e := testDesk(t)
	code = run(context.Background(), d, args)
	return code, o.String(), e.String()
}

func TestRootHelp(t *testing.T) {
	code, out, _ := runLine(t, "--help")
	require.Zero(t, code)
	const golden = "testdata/help.golden"
	if *update {
		require.NoError(t, os.WriteFile(golden, []byte(out), 0o644))
	}
	want, err := os.ReadFile(golden)
	require.NoError(t, err)
	require.Equal(t, string(want), out, "run with -update when the change is meant")
}

func TestOverview(t *testing.T) {
	code, out, errs := runLine(t)
	require.Zero(t, code)
	require.Equal(t, overview, out)
	require.Empty(t, errs)
}

// everyCommand walks the tree, hidden commands included.
func everyCommand(root *cobra.Command, visit func(*cobra.Command)) {
	for _, c := range root.Commands() {
		visit(c)
		everyCommand(c, visit)
	}
}

func TestEveryCommandHasHelpThatFitsTheScreen(t *testing.T) {
	d, _, _ := testDesk(t)
	root := d.root()
	everyCommand(root, func(c *cobra.Command) {
		path := strings.TrimPrefix(c.CommandPath(), "thawtrail ")
		if c.Name() == "help" {
			return
		}
		require.NotEmpty(t, c.Short, path)
		if c.Parent() == root && !c.Hidden {
			require.NotEmpty(t, c.GroupID, "no group: %s", path)
		}
		code, out, errs := runLine(t, append(strings.Fields(path), "--help")...)
		require.Zero(t, code, path)
		require.Empty(t, errs, path)
		if !c.HasSubCommands() {
			require.Contains(t, out, "For example", path)
		}
		requireFits(t, out)
	})
}

func requireFits(t *testing.T, out string) {
	t.Helper()
	for _, l := range strings.Split(out, "\n") {
		require.LessOrEqual(t, runes(l), screenWidth, l)
		require.Equal(t, strings.TrimRight(l, " "), l)
	}
	require.False(t, strings.HasPrefix(out, "\n"))
	require.NotContains(t, out, "\n\n\n")
}
