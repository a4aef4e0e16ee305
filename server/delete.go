package server

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"thawtrail/internal/refusal"
	"thawtrail/internal/store"
	"thawtrail/internal/store/pg"
	"thawtrail/internal/store/reach"
	"thawtrail/internal/trust"
	"thawtrail/internal/trust/vault"
	"thawtrail/internal/wholefile"
)

// DeleteConfig says what goes for good.
type DeleteConfig struct {
	Data     string        // the practice's folder
	Database *pg.Database  // nil: the practice lies in the folder
	Secret   *vault.Secret // opens its vault; nil: it is not encrypted
	Practice string        // its name as people say it, typed by whoever wants this
}

// Delete takes a practice's server away whole: records, keys, and what can be made again.
// Whoever cannot open it cannot delete it. Broken off, it is called again: what opens the
// rest goes last. What laptops hold and what backups hold stays theirs.
func Delete(ctx context.Context, cfg DeleteConfig) (err error) {
	lock, err := store.LockFolder(cfg.Data)
	if err != nil && !(errors.Is(err, fs.ErrNotExist) && cfg.Database != nil) {
		return err
	}
	if lock != nil {
		defer func() { err = errors.Join(err, lock.Close()) }()
	}
	place := trust.InFolder(cfg.Data)
	var lease *pg.Lease
	if cfg.Database != nil {
		if lease, err = unserved(ctx, cfg.Data, cfg.Database.Take); err != nil {
			return err
		}
		place = leased(cfg.Data, lease)
	}
	if err := named(place, cfg); err != nil {
		if lease != nil {
			err = errors.Join(err, lease.Give())
		}
		return err
	}
	if lease != nil {
		if err := lease.Forget(ctx); err != nil {
			return err
		}
	}
	return emptyFolder(cfg.Data, lease == nil)
}

// named refuses to delete what is not called so.
func named(place trust.Place, cfg DeleteConfig) error {
	if !wholefile.There(place.Names, vault.FileName) {
		return refusal.New("data", cfg.Data, "a practice that was begun")
	}
	home, err := trust.OpenIn(place, cfg.Secret, vault.DefaultCost, rand.Reader)
	if err != nil {
		return err
	}
	if home.Joined == nil || home.Joined.PracticeName != cfg.Practice {
		return refusal.New("practice", cfg.Practice, "the name of the practice that lies there, letter by letter").
			Because("what is deleted is gone for good; nothing was changed")
	}
	return nil
}

// emptyFolder removes what a server writes in its folder, and with small its keys too. What
// others put there stays.
func emptyFolder(data string, small bool) error {
	for _, name := range []string{"journal", "index", trust.ElsewhereFile} {
		if err := os.RemoveAll(filepath.Join(data, name)); err != nil {
			return fmt.Errorf("delete %s: %w", name, err)
		}
	}
	if err := reach.Forget(data); err != nil {
		return err
	}
	if !small {
		return nil
	}
	place := trust.InFolder(data)
	names, err := place.Small()
	if err != nil {
		return err
	}
	for _, name := range append(names, epochFile, movedFile) {
		if name == vault.FileName {
			continue // what opens the rest goes last
		}
		if err := place.Names.Remove(name); err != nil {
			return err
		}
	}
	return place.Names.Remove(vault.FileName)
}
