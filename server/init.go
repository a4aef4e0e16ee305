package server

import (
	"cmp"
	"context"
	"crypto/ed25519"
	"errors"
	"fmt"

	"thawtrail/internal/clock"
	"thawtrail/internal/entry"
	"thawtrail/internal/event"
	"thawtrail/internal/refusal"
	"thawtrail/internal/store/pg"
	"thawtrail/internal/trust"
	"thawtrail/internal/trust/authority"
	"thawtrail/internal/trust/vault"
	pb "thawtrail/proto/thawtrail/v1"
)

// Files of a server beside those of every replica.
const (
	authorityFile = trust.AuthorityFile
	tlsFile       = "server.key"
	invitesFile   = "invites.box"
)

// InitConfig says what practice is begun.
type InitConfig struct {
	Data     string
	Database *pg.Database  // where it lies, under the name of the folder; nil: in the folder
	Secret   *vault.Secret // nil: nothing is encrypted, for trying out only
	Cost     vault.Cost    // of a passphrase; vault.DefaultCost when zero
	Practice string        // its name
	Zone     string        // of the tz database
	Currency string        // of costs, ISO 4217; XXX, none, when empty
	IggUnit  pb.IggUnit    // in which IgG is shown
	Owner    string        // name of the first owner
	Name     string        // of this machine; 'clinic' when empty
	Clock    clock.Clock   // the machine's when nil
	// Rehearsal marks the practice for good: nothing in it is real.
	Rehearsal bool
}

// Begun is what a practice was begun with.
type Begun struct {
	Practice    string // id
	Owner       string // id
	Fingerprint string // of the authority
	Sheet       string // recovery sheet, to be printed and locked away
}

// Init begins a practice in an empty data folder: its authority, its books and
// its first owner. Broken off at any point, it can be called again.
func Init(ctx context.Context, cfg InitConfig) (_ Begun, err error) {
	place, called, give, err := begunIn(ctx, cfg.Database, cfg.Data)
	if err != nil {
		return Begun{}, err
	}
	defer func() { err = errors.Join(err, give()) }()
	home, err := openPlace(place, cfg.Secret, cfg.Cost)
	if err != nil {
		return Begun{}, err
	}
	if home.Joined != nil {
		return Begun{}, refusal.Conflict("data", cfg.Data, "a folder in which no practice was begun yet")
	}
	root, err := home.Key(authorityFile, vault.Authority)
	if err != nil {
		return Begun{}, err
	}
	if err := called(ctx, authority.Print(authority.Public(root))); err != nil {
		return Begun{}, err
	}
	full := Config{Data: cfg.Data, Name: cfg.Name, Clock: cfg.Clock}
	if err := full.fill(); err != nil {
		return Begun{}, err
	}
	h, err := openHome(ctx, full, home)
	if err != nil {
		return Begun{}, err
	}
	defer func() { err = errors.Join(err, h.replica.Store.Close()) }()
	out, founding, err := h.found(ctx, cfg, authority.Public(root))
	if err != nil {
		return Begun{}, err
	}
	cert, err := authority.Certificate(root)
	if err != nil {
		return Begun{}, err
	}
	out.Fingerprint, out.Sheet = authority.Fingerprint(authority.Public(root)), authority.Sheet(cfg.Practice, root)
	return out, home.Join(trust.Joined{Practice: out.Practice, PracticeName: cfg.Practice, Founding: founding[:], Authority: cert.Raw, Rehearsal: cfg.Rehearsal})
}

// found writes the founding, or finds the one that an earlier call wrote.
func (h *hub) found(ctx context.Context, cfg InitConfig, root ed25519.PublicKey) (Begun, event.Hash, error) {
	writes := entry.NewWriter(h.replica)
	answer, err := writes.Write(ctx, &pb.WriteRequest{
		RequestId: "server init",
		Entry: &pb.Entry{Body: &pb.Entry_PracticeFounded{PracticeFounded: &pb.PracticeFounded{
			Name: cfg.Practice, Zone: cfg.Zone, Currency: cmp.Or(cfg.Currency, "XXX"), OwnerName: cfg.Owner, IggUnit: cfg.IggUnit, Authority: root,
		}}},
	})
	if err != nil {
		return Begun{}, event.Hash{}, err
	}
	founding, ok := event.ParseHash(answer.Record)
	if !ok {
		return Begun{}, event.Hash{}, fmt.Errorf("the founding has no hash: %q", answer.Record)
	}
	r, err := h.rights(ctx)
	if err != nil {
		return Begun{}, event.Hash{}, err
	}
	return Begun{Practice: r.Founding.Practice, Owner: r.Founding.Owner}, founding, nil
}
