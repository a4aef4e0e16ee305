package cli

import (
	"context"

	"github.com/spf13/cobra"

	"thawtrail/internal/refusal"
	"thawtrail/internal/store"
)

// verifyAnswer is what `verify` prints.
type verifyAnswer struct {
	OK       bool     `json:"ok"`
	Records  int64    `json:"records"`
	FirstBad string   `json:"first_bad"`
	Notes    []string `json:"notes"`
}

// verifyCommand checks a replica that is not open. Damage ends with exit code 1,
// so that a script that makes copies notices it.
func (d *console) verifyCommand() *cobra.Command {
	data := &flagOf{name: "data", metavar: "DIR", help: "folder of a replica whose agent or server is stopped", required: true}
	asJSON := jsonFlag()
	cmd := &cobra.Command{
		Use: "verify --data DIR", Short: "Check every record of a replica: form, chain and signature",
		Example: "verify --data thawtrail-data", Args: noArgs, DisableFlagsInUseLine: true,
	}
	open := newUnlock()
	bindFlags(cmd.Flags(), data, open.passphrase, open.keyFile)
	bindCommon(cmd.Flags(), asJSON)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		if data.text() == "" {
			return refusal.New("data", "", "--data DIR: "+data.help)
		}
		key, err := openForVerify(open, d, data.text())
		if err != nil {
			return err
		}
		return d.verify(cmd.Context(), store.VerifyOptions{Dir: data.text(), Key: key}, asJSON.text() == "true")
	}
	return cmd
}

func (d *console) verify(ctx context.Context, opt store.VerifyOptions, asJSON bool) error {
	r, err := store.Verify(ctx, opt)
	if err != nil {
		return err
	}
	if asJSON {
		err = d.object(verifyAnswer{OK: r.OK, Records: r.Records, FirstBad: r.FirstBad, Notes: append([]string{}, r.Notes...)})
	} else {
		d.tellVerified(r)
	}
	if err == nil && !r.OK {
		err = exitError{exitFailed}
	}
	return err
}

func (d *console) tellVerified(r store.VerifyReport) {
	p := newPage(d.out)
	if r.OK {
		p.wrap("", count(int(r.Records), "record")+" read; no damage was found in form, chain and signatures.")
	} else {
		p.wrap("", count(int(r.Records), "record")+" read. The first that is wrong: "+line(r.FirstBad))
	}
	for _, note := range r.Notes {
		p.hang("  - ", "    ", line(note))
	}
}
