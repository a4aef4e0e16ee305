package replication

import (
	"context"
	"errors"
	"time"

	"thawtrail/internal/exchange"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// ErrInDoubt is a server that cannot tell who belongs to the practice, because what it
// stands on is lost on its disk. It greets nobody, and takes what a laptop holds of that.
var ErrInDoubt = errors.New("the server cannot tell who belongs to the practice")

// errHelped ends a meeting in which the server came to know its practice again.
var errHelped = errors.New("the server knows its practice again: it is greeted once more")

const (
	offerTimeout = 2 * time.Minute
	offerEvery   = time.Minute // while that does not end the doubt
	maxOffers    = 64          // messages in one meeting
)

// help offers to a server in doubt what this laptop holds of the founding and the
// members, and then what else the server says that it lacks. doubt is how it answered
// the greeting; what is returned says how it stands now.
func (l *Link) help(ctx context.Context, peer Peer, doubt error) error {
	now := l.clock.Now()
	if since := now.Sub(l.offered); since >= 0 && since < offerEvery {
		return doubt
	}
	ctx, cancel := context.WithTimeout(ctx, offerTimeout)
	defer cancel()
	runs, err := l.store.Charter(ctx)
	if err != nil {
		return err
	}
	resp, err := peer.Offer(ctx, &pb.OfferRequest{Runs: runs})
	for n := 0; err == nil && resp.Doubt != "" && n < maxOffers; n++ {
		var more []*pb.Run
		if more, err = l.lacked(ctx, resp.Lacks); err != nil || len(more) == 0 {
			break
		}
		var next *pb.OfferResponse
		if next, err = peer.Offer(ctx, &pb.OfferRequest{Runs: more}); err != nil || next.Taken == 0 {
			break
		}
		resp = next
	}
	l.offered = now
	switch {
	case err != nil:
		return err
	case resp.Doubt == "":
		l.offered = time.Time{}
		return errHelped
	}
	return refusal.Fail(ErrInDoubt, "%s", resp.Doubt)
}

// lacked reads records that the server lacks, as many as go into one message.
func (l *Link) lacked(ctx context.Context, lacks []*pb.HeldLog) (runs []*pb.Run, err error) {
	held, err := exchange.HeldFromPB(lacks)
	if err != nil {
		return nil, err
	}
	left := exchange.MaxBatchBytes
	for _, h := range held {
		for _, gap := range append(h.Missing, exchange.SeqRange{From: h.Tip().Seq + 1}) {
			run, _, err := l.store.ReadRun(ctx, h.Log, gap.From, left)
			if err != nil {
				return nil, err
			}
			if run == nil {
				continue // not here either
			}
			runs = append(runs, run)
			for _, wire := range run.Records {
				left -= len(wire)
			}
			if left <= 0 {
				return runs, nil
			}
		}
	}
	return runs, nil
}
