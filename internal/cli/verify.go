package cli

import (
	"context"
	"errors"
	"io/fs"

	"github.com/spf13/cobra"

	"thawtrail/internal/store"
	"thawtrail/internal/trust/vault"
	"thawtrail/internal/wholefile"
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
	base := newDatabase()
	return d.stoppedCommand("verify", "Check every record of a replica: form, chain and signature", "verify --data thawtrail-data", []*flagOf{base.url},
		func(ctx context.Context, f stopped) (err error) {
			place, done, err := base.stopped(ctx, f.data)
			if err != nil {
				return err
			}
			defer func() { err = errors.Join(err, done()) }()
			opt := store.VerifyOptions{Dir: f.data, Truth: place.Truth}
			if err := f.unlock.opensFor(d, place.Names, &opt); err != nil {
				return err
			}
			return d.verify(ctx, opt, f.json)
		})
}

// opensFor gives what the records of a replica are read with.
func (u *unlock) opensFor(d *console, names wholefile.Names, opt *store.VerifyOptions) error {
	if _, err := vault.Locked(names); errors.Is(err, fs.ErrNotExist) {
		return nil // begun before folders had a vault, or none at all
	}
	secret, err := u.secretIn(d, names)
	if err != nil {
		return err
	}
	v, err := vault.Open(names, secret)
	if err != nil {
		return err
	}
	opt.Key, opt.KeyID = v.Key(vault.Journal), v.ID()
	return nil
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
