package server

import (
	"context"
	"crypto/ed25519"
	"errors"
	"fmt"
	"io"

	"thawtrail/internal/access"
	"thawtrail/internal/bundle"
	"thawtrail/internal/clock"
	"thawtrail/internal/refusal"
	"thawtrail/internal/replication"
	"thawtrail/internal/store/pg"
	"thawtrail/internal/trust"
	"thawtrail/internal/trust/authority"
	"thawtrail/internal/trust/vault"
	pb "thawtrail/proto/thawtrail/v1"
)

// RestoreConfig says from what a lost server is made anew.
type RestoreConfig struct {
	Data     string        // an empty folder
	Database *pg.Database  // where it lies, under the name of the folder; nil: in the folder
	Secret   *vault.Secret // of the new folder
	Cost     vault.Cost    // of a passphrase; vault.DefaultCost when zero
	Name     string        // of this machine; 'clinic' when empty
	Key      ed25519.PrivateKey
	Books    io.ReadSeeker // a file of records that a laptop of the practice wrote
	Code     bundle.Code
	Clock    clock.Clock // the machine's when nil
}

// Restored is what a server was made of.
type Restored struct {
	Practice string
	replication.Outcome
	Bytes int64 // of the file
	// Devices of the practice by these books, and those that were shut out: who
	// was let in or shut out later is not known yet.
	Laptops, ShutOut []string
}

// Restore begins a server in the place of one that was lost. The sheet's key
// signs that this machine is the practice's server now; the books come from any
// laptop, and what they lack from the other ones when they connect. Broken off at
// any point, it can be called again.
func Restore(ctx context.Context, cfg RestoreConfig) (out Restored, err error) {
	if out.Outcome, err = replication.Check(ctx, cfg.Books, cfg.Code); err != nil {
		return out, err
	}
	head := out.Head
	if err := sameAuthority(cfg.Key, head); err != nil {
		return out, err
	}
	if head.Case != "" {
		return out, refusal.New("books", "a file with a case", "a file that `thawtrail books write` wrote")
	}
	place, called, give, err := begunIn(ctx, cfg.Database, cfg.Data)
	if err != nil {
		return out, err
	}
	defer func() { err = errors.Join(err, give()) }()
	home, err := openPlace(place, cfg.Secret, cfg.Cost)
	if err != nil {
		return out, err
	}
	if home.Joined != nil {
		return out, refusal.Conflict("data", cfg.Data, "an empty folder").Because("it belongs to " + home.Joined.PracticeName)
	}
	if err := home.KeepKey(authorityFile, vault.Authority, cfg.Key); err != nil {
		return out, err
	}
	if err := called(ctx, authority.Print(authority.Public(cfg.Key))); err != nil {
		return out, err
	}
	joined := trust.Joined{Practice: head.Practice, PracticeName: head.PracticeName, Founding: head.Founding, Authority: head.Authority}
	full := Config{Data: cfg.Data, Name: cfg.Name, Clock: cfg.Clock}
	if err := full.fill(); err != nil {
		return out, err
	}
	h, err := openRestored(ctx, full, home, joined)
	if err != nil {
		return out, err
	}
	defer func() { err = errors.Join(err, h.replica.Store.Close()) }()
	if err := (replication.Bundles{Replica: h.replica}).Take(ctx, cfg.Books, cfg.Code, &out.Outcome); err != nil {
		return out, err
	}
	if out.Bytes, err = cfg.Books.Seek(0, io.SeekEnd); err != nil {
		return out, err
	}
	if err := h.takeOffice(ctx, cfg.Key, joined, &out); err != nil {
		return out, err
	}
	out.Practice = joined.PracticeName
	return out, home.Join(joined)
}

// sameAuthority refuses the sheet of another practice.
func sameAuthority(key ed25519.PrivateKey, head *pb.ParcelHead) error {
	_, of, err := authority.ParseCertificate(head.Authority)
	if err != nil {
		return refusal.New("books", head.DeviceName, "books that name their practice's authority").Because(err.Error())
	}
	if own := authority.Public(key); !own.Equal(of) {
		return refusal.Conflict("sheet", authority.Fingerprint(own), "the recovery sheet of "+head.PracticeName+", fingerprint "+authority.Fingerprint(of)).
			Because("sheet and books belong to two practices; nothing was begun")
	}
	return nil
}

// openRestored opens the folder as the practice's before it is known to be
// whole: only Join at the end makes it a server's.
func openRestored(ctx context.Context, cfg Config, home *trust.Home, joined trust.Joined) (*hub, error) {
	home.Joined = &joined
	return openHome(ctx, cfg, home)
}

// takeOffice writes, signed by the sheet's key, that this machine is the practice's
// server, and lists the laptops that it knows.
func (h *hub) takeOffice(ctx context.Context, key ed25519.PrivateKey, joined trust.Joined, out *Restored) error {
	rights, err := access.Office{
		Key: key, Founding: joined.Founding, Practice: joined.PracticeName, Books: out.Head.DeviceName,
	}.Take(ctx, h.replica)
	if err != nil {
		return err
	}
	for _, d := range rights.Devices {
		switch name := fmt.Sprintf("%s (%x)", d.Name, d.Device[:min(len(d.Device), 3)]); {
		case rights.WasServer(d.Device):
		case rights.Admits(d.Device):
			out.Laptops = append(out.Laptops, name)
		default:
			out.ShutOut = append(out.ShutOut, name)
		}
	}
	return nil
}
