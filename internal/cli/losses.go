package cli

import (
	"context"

	"github.com/spf13/cobra"

	"thawtrail/internal/trust"
)

// lossesCommand lists what is gone from a folder whose program is stopped, and
// takes the word of a person who has read it.
func (d *desk) lossesCommand() *cobra.Command {
	anew := &flagOf{name: "anew", metavar: "FILE", help: "begin a missing file anew at the next start"}
	return d.ownForm("losses --data DIR", "What is gone from a folder: files that are missing",
		"losses --data thawtrail-data", 0, []*flagOf{anew},
		func(_ context.Context, f *ownForm, _ []string) error {
			secret, err := f.unlock.secret(d, f.data.text())
			if err != nil {
				return err
			}
			if name := anew.text(); name != "" {
				if err := trust.BeginAnew(f.data.text(), secret, name); err != nil {
					return err
				}
			}
			gone, err := trust.Gone(f.data.text(), secret)
			if err != nil {
				return err
			}
			return d.tellLosses(f, gone)
		})
}

func (d *desk) tellLosses(f *ownForm, gone []*trust.Missing) error {
	names, lines := []string{}, []string{}
	for _, m := range gone {
		names, lines = append(names, m.Name), append(lines, m.Error())
	}
	if len(lines) == 0 {
		lines = []string{"Nothing is known to be gone from this folder."}
	}
	err := d.tell(f, map[string]any{"missing_files": names}, lines...)
	if err == nil && len(gone) > 0 {
		err = exitError{exitFailed}
	}
	return err
}
