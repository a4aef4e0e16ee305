package cli

import (
	"context"

	"github.com/spf13/cobra"

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
	return d.stoppedCommand("verify", "Check every record of a replica: form, chain and signature", "verify --data thawtrail-data",
		func(ctx context.Context, f stopped) error {
			key, err := openForVerify(f.unlock, d, f.data)
			if err != nil {
				return err
			}
			return d.verify(ctx, store.VerifyOptions{Dir: f.data, Key: key}, f.json)
		})
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
