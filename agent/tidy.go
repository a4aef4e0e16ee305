package agent

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/refusal"
	"thawtrail/internal/store"
	"thawtrail/internal/trust"
	"thawtrail/internal/trust/vault"
	"thawtrail/internal/wholefile"
)

// Tidied is what became of a keyring.
type Tidied struct{ Kept, Dropped int }

// TidyKeys drops every key of sealed words that no record in a stopped folder needs,
// a laptop's or the server's. It refuses where records cannot be read: they may need
// keys too.
func TidyKeys(ctx context.Context, cfg Config) (done Tidied, err error) {
	if err := cfg.fill(); err != nil {
		return done, err
	}
	if _, err := vault.Locked(wholefile.Folder(cfg.Data)); errors.Is(err, fs.ErrNotExist) {
		return done, refusal.Conflict("data", cfg.Data, "the folder of a laptop or server")
	}
	home, err := trust.Open(cfg.Data, cfg.Secret, rand.Reader)
	if err != nil {
		return done, err
	}
	r, err := open(ctx, cfg, home)
	if err != nil {
		return done, err
	}
	defer func() { err = errors.Join(err, r.Store.Close()) }()
	// The folder is ours from here on: what was read before may have changed since.
	if home, err = trust.Open(cfg.Data, cfg.Secret, rand.Reader); err != nil {
		return done, err
	}
	needed := map[string]bool{}
	for _, held := range r.Store.Held() {
		if from, lacks := lacking(r.Store, held); lacks {
			return done, unreadable(held.Log, from)
		}
		if err := keysOfLog(ctx, r.Store, held, needed); err != nil {
			return done, err
		}
	}
	done.Dropped, err = home.Seals.Keep(func(id []byte) bool { return needed[string(id)] })
	done.Kept = home.Seals.Len()
	return done, err
}

// lacking finds the first record of a log that is not told of as held: one that is to be
// sent again, or what hangs on it, on whatever branch.
func lacking(s *store.Store, held exchange.HeldLog) (seq uint64, lacks bool) {
	if len(held.Missing) > 0 {
		return held.Missing[0].From, true
	}
	info, known := s.Log(held.Log)
	return held.Tip().Seq + 1, known && info.Tip.Seq > held.Tip().Seq
}

// keysOfLog notes the keys that the records of a log need.
func keysOfLog(ctx context.Context, s *store.Store, held exchange.HeldLog, needed map[string]bool) error {
	for from := uint64(0); from <= held.Tip().Seq; {
		run, next, err := s.ReadRun(ctx, held.Log, from, exchange.MaxBatchBytes)
		if err != nil {
			return err
		}
		if run == nil || next <= from {
			return unreadable(held.Log, from)
		}
		for _, wire := range run.Records {
			rec, err := event.Decode(wire)
			if err != nil {
				return unreadable(held.Log, from)
			}
			if _, known := event.Lookup(rec.Head.Type); !known {
				return refusal.Conflict("data", rec.Hash.Short(), "records that this program knows").Because("this one was written by a newer program, and what keys it needs is not known; bring this program up to date first; no key was dropped")
			}
			for _, id := range rec.KeysNeeded() {
				needed[string(id)] = true
			}
		}
		from = next
	}
	return nil
}

func unreadable(log event.LogID, seq uint64) error {
	return refusal.Conflict("data", fmt.Sprintf("log %s", log.Short()), "a folder whose records can all be read").
		Because(fmt.Sprintf("record %d cannot, and what keys it needs is not known; let the server or another laptop give it again first; no key was dropped", seq+1))
}
