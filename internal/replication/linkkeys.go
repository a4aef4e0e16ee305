package replication

import (
	"context"
	"time"

	"thawtrail/internal/exchange"
	"thawtrail/internal/store"
	pb "thawtrail/proto/thawtrail/v1"
)

// keysEvery is how often keys are compared while a session lasts. Those that
// records need have come beside them; this finds what was lost on the way.
const keysEvery = 10 * time.Minute

// compareKeys compares keys once this laptop holds what the server has, and now and
// then after that. No fault of keys ends a session: a link that does not work is
// noticed by those who carry records.
func (l *Link) compareKeys(ctx context.Context, peer Peer, session uint64, caughtUp <-chan struct{}) error {
	tick := time.NewTicker(keysEvery)
	defer tick.Stop()
	for ready := caughtUp; ; ready = nil {
		select {
		case <-ctx.Done():
			return nil
		case <-ready:
		case <-tick.C:
		}
		if err := l.evenKeys(ctx, peer, session); err != nil && ctx.Err() == nil {
			l.log.Warn("keys of sealed words are not compared; it is tried again", "error", err)
		}
	}
}

// evenKeys asks for the keys that are lacking here and pushes those that the server
// lacks.
func (l *Link) evenKeys(ctx context.Context, peer Peer, session uint64) error {
	device := l.store.Device()
	for from := 0; from < 256; {
		resp, err := peer.Keys(ctx, &pb.KeysRequest{Device: device, Session: session, Sums: l.replica.Seals.Sums(), From: uint32(from)})
		if err != nil {
			return err
		}
		upto := int(min(resp.Next, 256))
		if upto <= from {
			return nil // it has no more to say
		}
		lacking, giving, err := l.apart(resp, from, upto)
		if err != nil {
			return err
		}
		if err := l.ask(ctx, peer, session, lacking); err != nil {
			return err
		}
		if err := l.give(ctx, peer, session, giving); err != nil {
			return err
		}
		from = upto
	}
	return nil
}

// apart says which ids are known on one side only, of those that begin with the
// bytes from from up to upto.
func (l *Link) apart(resp *pb.KeysResponse, from, upto int) (lacking, giving [][]byte, err error) {
	known := map[string]bool{}
	for _, id := range resp.Known {
		known[string(id)] = true
	}
	for at := from; at < upto; {
		held, forgotten, next, err := l.replica.Seals.Differing(resp.Sums, at, 1)
		if err != nil {
			return nil, nil, err
		}
		if next > upto {
			break
		}
		for _, id := range held {
			if !known[string(id)] {
				giving = append(giving, id)
			}
			delete(known, string(id))
		}
		for _, id := range forgotten {
			delete(known, string(id))
		}
		at = next
	}
	for _, id := range resp.Known {
		if known[string(id)] {
			lacking = append(lacking, id)
		}
	}
	return lacking, giving, nil
}

func (l *Link) ask(ctx context.Context, peer Peer, session uint64, ids [][]byte) error {
	for len(ids) > 0 {
		n := min(len(ids), maxKeysAsked)
		resp, err := peer.Keys(ctx, &pb.KeysRequest{Device: l.store.Device(), Session: session, Wanted: ids[:n]})
		if err != nil {
			return err
		}
		l.takeKeys(ctx, resp.Keys, nil)
		ids = ids[n:]
	}
	return nil
}

func (l *Link) give(ctx context.Context, peer Peer, session uint64, ids [][]byte) error {
	for len(ids) > 0 {
		n := min(len(ids), maxKeysAsked)
		keys := l.replica.Seals.Find(ids[:n])
		if _, err := peer.Push(ctx, &pb.PushRequest{Device: l.store.Device(), Session: session, Keys: keys}); err != nil {
			return err
		}
		ids = ids[n:]
	}
	return nil
}

// takeKeys takes keys of the server. What cannot be saved now is asked for again.
func (l *Link) takeKeys(ctx context.Context, keys []*pb.FieldKey, results []store.RunResult) {
	if err := l.keys.take(ctx, exchange.DeviceID{}, keys, results); err != nil && ctx.Err() == nil {
		l.log.Error("keys of sealed words are not saved", "error", err)
	}
}
