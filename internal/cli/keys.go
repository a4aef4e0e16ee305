package cli

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"

	"thawtrail/agent"
)

// keysTidyCommand drops keys of sealed words that no record needs: what a laptop
// could push before keys were looked at.
func (d *console) keysTidyCommand() *cobra.Command {
	return d.stoppedCommand("tidy", "Drop keys of private words that no record here needs", "keys tidy --data thawtrail-data", nil,
		func(ctx context.Context, f stopped) error {
			secret, err := f.unlock.secret(d, f.data)
			if err != nil {
				return err
			}
			done, err := agent.TidyKeys(ctx, agent.Config{Data: f.data, Secret: secret})
			if err != nil {
				return err
			}
			if f.json {
				return d.object(map[string]any{"kept": done.Kept, "dropped": done.Dropped})
			}
			newPage(d.out).wrap("", fmt.Sprintf("%s dropped that no record here needs; %s kept.", count(done.Dropped, "key"), count(done.Kept, "key")))
			return nil
		})
}
