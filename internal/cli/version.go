package cli

import (
	"fmt"
	"runtime"

	"github.com/spf13/cobra"

	"thawtrail/cmd/thawtrail/shipped"
	"thawtrail/internal/engine"
	"thawtrail/internal/refusal"
	"thawtrail/internal/replica"
)

// programLine is the program in one line, as `--version` prints it.
func programLine() string {
	return fmt.Sprintf("thawtrail %s, %s, %s on %s/%s", replica.Version, engine.Version, runtime.Version(), runtime.GOOS, runtime.GOARCH)
}

// versionCommand tells what this program is and what it can read, or prints one of the
// texts that go with it.
func (d *console) versionCommand() *cobra.Command {
	notices := &flagOf{name: "notices", metavar: metaSwitch, help: "print the licences of the libraries in this program"}
	changes := &flagOf{name: "changes", metavar: metaSwitch, help: "print what changed, the newest release first"}
	cmd := plain("version", "Versions of this program and its formulas", "version", func(asJSON bool) error {
		switch {
		case notices.given() && changes.given():
			return refusal.New("changes", "", "one of --notices and --changes")
		case notices.given():
			return d.shippedText("notices", shipped.Notices, asJSON)
		case changes.given():
			return d.shippedText("changes", shipped.Changes, asJSON)
		case asJSON:
			return d.object(versionAnswer())
		}
		d.tellVersion()
		return nil
	})
	bindFlags(cmd.Flags(), notices, changes)
	return cmd
}

func (d *console) shippedText(name, text string, asJSON bool) error {
	if asJSON {
		return d.object(map[string]any{name: text})
	}
	d.printf("%s", text)
	return nil
}

func versionAnswer() map[string]any {
	b, f := replica.Program, replica.Formats
	return map[string]any{
		"program": replica.Version, "commit": b.Commit, "commit_at": b.CommitAt, "dirty": b.Dirty,
		"engine": engine.Version, "fold": f.Fold, "wire": f.Wire, "journal": f.Journal,
		"go": runtime.Version(), "system": runtime.GOOS + "/" + runtime.GOARCH,
	}
}

func (d *console) tellVersion() {
	p := newPage(d.out)
	p.line(programLine())
	f := replica.Formats
	p.pairs([][2]string{
		{"source", sourceOf(replica.Program)},
		{"formulas", engine.Version},
		{"folded state", fmt.Sprint(f.Fold)},
		{"exchange", fmt.Sprint(f.Wire)},
		{"journal", fmt.Sprint(f.Journal)},
	})
}

// sourceOf says in words what a program was built from.
func sourceOf(b replica.Build) string {
	switch {
	case b.Commit == "":
		return "not told by the build"
	case b.Dirty:
		return "commit " + b.Commit + " of " + b.CommitAt + ", with changes that are in no commit"
	}
	return "commit " + b.Commit + " of " + b.CommitAt
}
