package exchange

import (
	"bytes"
	"crypto/ed25519"
	"fmt"

	"thawtrail/internal/event"
	pb "thawtrail/proto/thawtrail/v1"
)

// Vouched verifies a run that stands alone: records of one log that follow one
// another, and a signature of the log's key on the last one, which vouches for all of
// them. Where the run joins on is not looked at. Signatures inside it are verified
// where they are kept.
//
// The key comes from the log's opening record, whose hash is the log's id.
func Vouched(run *pb.Run, key ed25519.PublicKey) ([]*event.Record, error) {
	log, ok := event.ToHash(run.GetLog())
	if !ok || len(run.Records) == 0 || len(key) != ed25519.PublicKeySize {
		return nil, fmt.Errorf("%w: a run without log, key or records", event.ErrMalformed)
	}
	recs := make([]*event.Record, 0, len(run.Records))
	for i, wire := range run.Records {
		r, err := event.DecodeStrict(wire)
		if err != nil {
			return nil, err
		}
		if r.Log != log || r.Seq() != run.From+uint64(i) || i > 0 && !bytes.Equal(r.Head.Prev, recs[i-1].Hash[:]) {
			return nil, fmt.Errorf("%w: seq %d of log %s", event.ErrChain, r.Seq(), log.Short())
		}
		if named := r.Head.Device; len(named) > 0 && !bytes.Equal(named, event.DeviceID(key)) {
			return nil, fmt.Errorf("%w: seq %d names another device", event.ErrSignature, r.Seq())
		}
		if last := i == len(run.Records)-1; last || r.Signed() {
			if err := r.Verify(key); err != nil {
				return nil, err
			}
		}
		recs = append(recs, r)
	}
	return recs, nil
}

// OpeningKey is the key of the log that a run opens; nil for any other run.
func OpeningKey(run *pb.Run) ed25519.PublicKey {
	if run.GetFrom() != 0 || len(run.Records) == 0 {
		return nil
	}
	r, err := event.DecodeStrict(run.Records[0])
	if err != nil || !bytes.Equal(r.Hash[:], run.Log) {
		return nil
	}
	p, err := r.Payload()
	opened, ok := p.(*pb.LogOpened)
	if err != nil || !ok || len(opened.PublicKey) != ed25519.PublicKeySize {
		return nil
	}
	return opened.PublicKey
}
