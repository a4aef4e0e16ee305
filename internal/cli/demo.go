package cli

import (
	"github.com/spf13/cobra"

	"thawtrail/internal/demo"
)

func (d *console) demoCommand() *cobra.Command {
	fast := &flagOf{name: "fast", metavar: metaSwitch, help: "without pauses for reading"}
	keep := &flagOf{name: "keep", metavar: metaSwitch, help: "stay up afterwards, for commands to try"}
	dir := &flagOf{name: "dir", metavar: "DIR", help: "keep the data here; removed at the end when left out"}
	asJSON := jsonFlag()
	cmd := &cobra.Command{
		Use: "demo", Short: "Play an invented night: three machines, a cut network, one merge", Example: "demo --fast",
		Args: noArgs, DisableFlagsInUseLine: true,
	}
	bindFlags(cmd.Flags(), fast, keep, dir)
	bindCommon(cmd.Flags(), asJSON)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		return demo.Run(cmd.Context(), demo.Config{
			Fast: fast.text() == "true", Keep: keep.text() == "true", JSON: asJSON.text() == "true", Dir: dir.text(), Out: d.out, Err: d.err,
		})
	}
	return cmd
}
