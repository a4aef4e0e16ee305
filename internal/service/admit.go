package service

import (
	"context"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/store"
	pb "thawtrail/proto/thawtrail/v1"
)

// AdmitPeer takes a device into the practice that says hello over loopback.
//
// This is the seam for enrolment. Until laptops join by a one-time code, every
// process on this machine that reaches the loopback address counts as one of the
// practice's, and the device that is in the books already writes it in, in the
// owner's name.
func (r *Replica) AdmitPeer(ctx context.Context, peer exchange.Beliefs) error {
	var draft *store.Draft
	err := r.Store.View(ctx, func(v *store.Snapshot) error {
		rights, err := v.Rights()
		if err != nil || !rights.Founded() {
			return err
		}
		if rights.HasDevice(peer.Device[:]) || !rights.HasDevice(r.Store.Device()) {
			return nil
		}
		founding := rights.Founding.Record
		draft = &store.Draft{
			Type:    event.TypeDeviceAdded,
			Payload: &pb.DeviceAdded{Device: peer.Device[:], PublicKey: peer.Key, Name: peer.Name},
			Author:  rights.Founding.Owner, Grant: founding[:],
			Proof: &pb.AuthorProof{Kind: pb.ProofKind_PROOF_KIND_NONE},
		}
		return nil
	})
	if err != nil || draft == nil {
		return err
	}
	_, err = r.Store.Append(ctx, *draft)
	return err
}
