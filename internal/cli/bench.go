package cli

import (
	"fmt"
	"os"
	"strconv"

	"github.com/spf13/cobra"

	"thawtrail/internal/bench"
	"thawtrail/internal/refusal"
)

// mostHosted bounds the sizes of a bench of many practices.
const mostHosted = 1_000_000

// benchCommand measures this program on this machine, beside the raw limits.
func (d *console) benchCommand() *cobra.Command {
	only := &flagOf{name: "only", metavar: "NAME", help: "one measure; without it, and without --whole, all but the very long ones"}
	quick := &flagOf{name: "quick", metavar: metaSwitch, help: "a tenth of the records and repetitions"}
	whole := &flagOf{name: "whole", metavar: metaSwitch, help: "the very long measures too, and ten minutes of idling"}
	table := &flagOf{name: "table", metavar: "FILE", help: "add the results to a table of rows, with commit, date and kind of machine"}
	dir := &flagOf{name: "dir", metavar: "DIR", help: "where to work; a temporary folder when left out"}
	practices := &flagOf{name: "practices", metavar: "N", help: "of hosted_open and hosted_idle: how many practices one process serves (40)"}
	records := &flagOf{name: "records", metavar: "N", help: "how many records each of them holds (1000)"}
	active := &flagOf{name: "active", metavar: "N", help: "how many are open at once, each with 8 links (5)"}
	base := &flagOf{name: "database", metavar: "URL", help: "of push_database_100k and urgent_database: a PostgreSQL to try them on; what it puts there it takes out again", secret: true}
	asJSON := &flagOf{name: "json", metavar: metaSwitch, help: "print one JSON object for each measure"}
	cmd := &cobra.Command{
		Use: "bench", Short: "Measure speed on this machine, beside the raw limits of the same run",
		Example: "bench --only push_ack_10k", Args: noArgs, DisableFlagsInUseLine: true,
	}
	bindFlags(cmd.Flags(), only, quick, whole, table, dir, practices, records, active, base)
	bindCommon(cmd.Flags(), asJSON)
	_ = cmd.RegisterFlagCompletionFunc(only.name, cobra.FixedCompletions(bench.Names(), cobra.ShellCompDirectiveNoFileComp))
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		program, err := os.Executable()
		if err != nil {
			return err
		}
		var hosted bench.Hosted
		for f, n := range map[*flagOf]*int64{practices: &hosted.Practices, records: &hosted.Records, active: &hosted.Active} {
			if !f.given() {
				continue
			}
			if *n, err = strconv.ParseInt(f.text(), 10, 64); err != nil || *n < 1 || *n > mostHosted {
				return refusal.New(f.name, f.text(), fmt.Sprintf("1 to %d", mostHosted))
			}
		}
		return bench.Run(cmd.Context(), bench.Config{
			JSON: asJSON.text() == "true", Only: only.text(), Quick: quick.text() == "true", Whole: whole.text() == "true", Table: table.text(),
			Out: d.out, Program: program, Dir: dir.text(), Hosted: hosted, Database: base.text(),
		})
	}
	return cmd
}
