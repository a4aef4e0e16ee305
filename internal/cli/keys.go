package cli

import (
	"fmt"

	"github.com/spf13/cobra"

	"thawtrail/agent"
	"thawtrail/internal/refusal"
)

// keysTidyCommand drops keys of sealed words that no record needs: what a laptop
// could push before keys were looked at.
func (d *console) keysTidyCommand() *cobra.Command {
	data := &flagOf{name: "data", metavar: "DIR", help: "folder of a laptop or server that is stopped", required: true}
	asJSON := jsonFlag()
	cmd := &cobra.Command{
		Use: "tidy --data DIR", Short: "Drop keys of private words that no record here needs",
		Example: "keys tidy --data thawtrail-data", Args: noArgs, DisableFlagsInUseLine: true,
	}
	open := newUnlock()
	bindFlags(cmd.Flags(), data, open.passphrase, open.keyFile)
	bindCommon(cmd.Flags(), asJSON)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		if data.text() == "" {
			return refusal.New("data", "", "--data DIR: "+data.help)
		}
		secret, err := open.secret(d, data.text())
		if err != nil {
			return err
		}
		done, err := agent.TidyKeys(cmd.Context(), agent.Config{Data: data.text(), Secret: secret})
		if err != nil {
			return err
		}
		if asJSON.text() == "true" {
			return d.object(map[string]any{"kept": done.Kept, "dropped": done.Dropped})
		}
		newPage(d.out).wrap("", fmt.Sprintf("%s dropped that no record here needs; %s kept.", count(done.Dropped, "key"), count(done.Kept, "key")))
		return nil
	}
	return cmd
}
