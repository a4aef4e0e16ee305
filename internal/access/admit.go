package access

import (
	"bytes"
	"cmp"
	"context"
	"crypto/ed25519"
	"encoding/hex"
	"errors"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/ledger"
	"thawtrail/internal/refusal"
	"thawtrail/internal/replica"
	"thawtrail/internal/store"
	"thawtrail/internal/trust/authority"
	pb "thawtrail/proto/thawtrail/v1"
)

// Admission is a laptop that an owner lets in.
type Admission struct {
	Claim    *pb.EnrolClaim
	By       string // the owner's id
	Person   string // the id of whose laptop it is
	Practice string // the practice that it joins
	// Proof is how the owner's laptop knew the owner who ordered this; nil: it was said
	// at the server.
	Proof *pb.AuthorProof
}

// Drafts are the entries that let the laptop and what it wrote before into the books;
// none when they have it already.
func (a Admission) Drafts(rights *ledger.Rights) ([]store.Draft, error) {
	id := event.DeviceID(a.Claim.PublicKey)
	if rights.HasDevice(id) && !rights.Admits(id) {
		return nil, refusal.Conflict("device", hex.EncodeToString(id)[:12], "a laptop that was not shut out").
			Because("move its data folder away and join as a new laptop; its old records stay where they are")
	}
	if rights.HasDevice(id) {
		return nil, nil
	}
	grant, ok := rights.GrantFor(a.By, []pb.Role{pb.Role_ROLE_OWNER})
	if !ok {
		return nil, refusal.Fail(refusal.ErrDenied, "who made this code is no owner any more")
	}
	draft := func(t event.Type) store.Draft {
		return store.Draft{Type: t, Author: a.By, Grant: grant[:], Proof: cmp.Or(a.Proof, &pb.AuthorProof{Kind: pb.ProofKind_PROOF_KIND_NONE})}
	}
	added := draft(event.TypeDeviceAdded)
	added.Payload = &pb.DeviceAdded{Device: id, PublicKey: a.Claim.PublicKey, Name: a.Claim.DeviceName, Person: a.Person}
	drafts := []store.Draft{added}
	if a.Claim.Practice == "" || a.Claim.Practice == a.Practice {
		return drafts, nil
	}
	for _, tip := range a.Claim.Logs {
		t, err := exchange.TipFromPB(tip)
		if err != nil {
			return nil, err
		}
		d := draft(event.TypeLogAdmitted)
		d.Payload = &pb.LogAdmitted{Log: t.Log[:], Upto: t.PB(), Joined: true, Reason: "this laptop was a practice of one before it joined"}
		drafts = append(drafts, d)
	}
	return drafts, nil
}

// Office is what a new server needs to take the place of one that is gone.
type Office struct {
	Key      ed25519.PrivateKey // the authority's, from the recovery sheet
	Founding []byte             // the record that founded the practice
	Practice string             // its name, for people
	Books    string             // whose books they are that were read, for people
}

// Take checks that the books here are those of the sheet and writes, signed by its
// key, that this replica is the practice's server. It gives who may what from then on.
func (o Office) Take(ctx context.Context, r *replica.Replica) (*ledger.Rights, error) {
	rights, err := RightsOf(ctx, r.Store)
	if err != nil {
		return nil, err
	}
	if !rights.Founded() || !bytes.Equal(rights.Founding.Record[:], o.Founding) {
		return nil, refusal.Conflict("books", o.Books, "books that reach back to the founding of "+o.Practice)
	}
	if !authority.Public(o.Key).Equal(ed25519.PublicKey(rights.Founding.Authority)) {
		return nil, refusal.Conflict("books", o.Practice, "a practice whose founding names its authority").
			Because("this one was begun by a version that did not write it down: restore a copy of the server's folder")
	}
	own := r.Store.PublicKey()
	if !rights.HasDevice(r.Store.Device()) {
		_, err := r.Store.Append(ctx, store.Draft{Type: event.TypeServerRestored, Payload: &pb.ServerRestored{
			PublicKey: own, Name: r.Name, Signature: ed25519.Sign(o.Key, ledger.ServerClaim(rights.Founding.Record, own)),
		}})
		if err != nil {
			return nil, err
		}
	}
	if rights, err = RightsOf(ctx, r.Store); err != nil {
		return nil, err
	}
	if !rights.Admits(r.Store.Device()) {
		return nil, errors.New("the books do not take this machine as the practice's server")
	}
	return rights, nil
}

// RightsOf reads from the books who may what.
func RightsOf(ctx context.Context, s *store.Store) (rights *ledger.Rights, err error) {
	err = s.View(ctx, func(v *store.Snapshot) error {
		rights, err = v.Rights()
		return err
	})
	return rights, err
}
