package cli

import (
	"context"
	"errors"
	"time"

	"github.com/spf13/cobra"

	"thawtrail/internal/store/reach"
	"thawtrail/internal/trust"
)

// lossesCommand lists what is gone from a folder whose program is stopped, and
// takes the word of a person who has read it.
func (d *console) lossesCommand() *cobra.Command {
	anew := &flagOf{name: "anew", metavar: "FILE", help: "begin a missing file anew at the next start"}
	base := newDatabase()
	seen := &flagOf{name: "seen", metavar: metaSwitch, help: "say that a person has read it; it is not said again"}
	return d.ownForm("losses --data DIR", "What is gone from a folder: saved records, and files that are missing",
		"losses --data thawtrail-data", 0, []*flagOf{seen, anew, base.url},
		func(ctx context.Context, f *ownForm, _ []string) (err error) {
			place, done, err := base.stopped(ctx, f.data.text())
			if err != nil {
				return err
			}
			defer func() { err = errors.Join(err, done()) }()
			if seen.text() == "true" {
				if err := reach.Seen(f.data.text()); err != nil {
					return err
				}
			}
			told, err := reach.Unread(f.data.text())
			if err != nil {
				return err
			}
			secret, err := f.unlock.secretIn(d, place.Names)
			if err != nil {
				return err
			}
			if name := anew.text(); name != "" {
				if err := trust.BeginAnew(place, secret, name); err != nil {
					return err
				}
			}
			gone, err := trust.Gone(place, secret)
			if err != nil {
				return err
			}
			return d.tellLosses(f, told, gone)
		})
}

func (d *console) tellLosses(f *ownForm, told []reach.Notice, gone []*trust.Missing) error {
	names, texts, lines := []string{}, []string{}, []string{}
	for _, n := range told {
		texts = append(texts, n.Text)
		lines = append(lines, time.UnixMicro(n.FoundUs).UTC().Format(time.RFC3339)+": "+n.Text)
	}
	for _, m := range gone {
		names, lines = append(names, m.Name), append(lines, m.Error())
	}
	left := len(lines)
	if left == 0 {
		lines = []string{"Nothing is known to be gone from this folder that nobody has read."}
	}
	err := d.tell(f, map[string]any{"lost": texts, "missing_files": names}, lines...)
	if err == nil && left > 0 {
		err = exitError{exitFailed}
	}
	return err
}
