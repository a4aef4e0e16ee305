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

// KeyRound compares the keys of sealed words with the other side once, message by
// message: those that are lacking here are asked for, and those that the other side
// lacks are pushed.
type KeyRound struct {
	session         *Session
	from            int      // ids whose first byte is below it are compared
	lacking, giving [][]byte // ids on one side only
}

// CompareKeys begins a round. It finds nothing to ask of a program that does not
// compare keys.
func (s *Session) CompareKeys() *KeyRound {
	k := &KeyRound{session: s}
	if s.number == 0 {
		k.from = 256
	}
	return k
}

// Next is a question, or keys to push, or neither: then the round is over. Answered or
// Given comes before the next Next.
func (k *KeyRound) Next() (ask *pb.KeysRequest, give *pb.PushRequest) {
	l := k.session.link
	ask = &pb.KeysRequest{Device: l.store.Device(), Session: k.session.number}
	switch {
	case len(k.lacking) > 0:
		ask.Wanted = k.lacking[:min(len(k.lacking), maxKeysAsked)]
	case len(k.giving) > 0:
		return nil, k.session.request(nil, l.replica.Seals.Find(k.giving[:min(len(k.giving), maxKeysAsked)]))
	case k.from < 256:
		ask.Sums, ask.From = l.replica.Seals.Sums(), uint32(k.from)
	default:
		return nil, nil
	}
	return ask, nil
}

// Given notes that what was given was taken.
func (k *KeyRound) Given() { k.giving = k.giving[min(len(k.giving), maxKeysAsked):] }

// Answered takes the answer to a question.
func (k *KeyRound) Answered(ctx context.Context, resp *pb.KeysResponse) error {
	if len(k.lacking) > 0 {
		k.session.link.takeKeys(ctx, resp.Keys, nil)
		k.lacking = k.lacking[min(len(k.lacking), maxKeysAsked):]
		return nil
	}
	upto := int(min(resp.Next, 256))
	if upto <= k.from {
		k.from = 256 // it has no more to say
		return nil
	}
	err := k.apart(resp, upto)
	k.from = upto
	return err
}

// apart finds the ids that are known on one side only, of those whose first byte is
// below upto and was not compared yet.
func (k *KeyRound) apart(resp *pb.KeysResponse, upto int) error {
	known := map[string]bool{}
	for _, id := range resp.Known {
		known[string(id)] = true
	}
	for at := k.from; at < upto; {
		held, forgotten, next, err := k.session.link.replica.Seals.Differing(resp.Sums, at, 1)
		if err != nil {
			return err
		}
		if next > upto {
			break
		}
		for _, id := range held {
			if !known[string(id)] {
				k.giving = append(k.giving, id)
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
			k.lacking = append(k.lacking, id)
		}
	}
	return nil
}

// compareKeys compares keys once each side has what the other one had, and now and
// then after that. No fault of keys ends a session: a link that does not work is
// noticed by those who carry records.
func (s *Session) compareKeys(ctx context.Context, peer Peer, exchanged ...<-chan struct{}) error {
	for _, half := range exchanged {
		select {
		case <-ctx.Done():
			return nil
		case <-half:
		}
	}
	tick := time.NewTicker(keysEvery)
	defer tick.Stop()
	for {
		if err := s.CompareKeys().run(ctx, peer); err != nil && ctx.Err() == nil {
			s.link.log.Warn("keys of sealed words are not compared; it is tried again", "error", err)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// run carries a round to its end.
func (k *KeyRound) run(ctx context.Context, peer Peer) error {
	for {
		ask, give := k.Next()
		switch {
		case ask != nil:
			resp, err := peer.Keys(ctx, ask)
			if err != nil {
				return err
			}
			if err := k.Answered(ctx, resp); err != nil {
				return err
			}
		case give != nil:
			if _, err := peer.Push(ctx, give); err != nil {
				return err
			}
			k.Given()
		default:
			return nil
		}
	}
}

// takeKeys takes keys of the server. What cannot be saved now is asked for again.
func (l *Link) takeKeys(ctx context.Context, keys []*pb.FieldKey, results []store.RunResult) {
	if err := l.keys.take(ctx, exchange.DeviceID{}, keys, results); err != nil && ctx.Err() == nil {
		l.log.Error("keys of sealed words are not saved", "error", err)
	}
}
