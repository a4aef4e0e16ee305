package bench

import (
	"context"
	"errors"

	"thawtrail/internal/clock"
	"thawtrail/internal/exchange"
	"thawtrail/internal/store"
	pb "thawtrail/proto/thawtrail/v1"
)

func (r run) pb() []*pb.Run { return []*pb.Run{{Log: r.log[:], From: r.from, Records: r.records}} }

// eachRun reads all logs of a filled replica in the runs in which they are sent.
func eachRun(ctx context.Context, l *lab, from *filled, fn func(run) error) (err error) {
	dir, err := l.copied(from)
	if err != nil {
		return err
	}
	s, err := openStore(ctx, dir, store.Options{Clock: clock.System{}})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	for _, info := range s.Logs() {
		for seq := uint64(0); seq <= info.Tip.Seq; {
			got, next, err := s.ReadRun(ctx, info.ID, seq, exchange.MaxBatchBytes)
			if err != nil {
				return err
			}
			if got == nil {
				return errors.New("a log could not be read to its end")
			}
			if err := fn(run{info.ID, got.From, got.Records}); err != nil {
				return err
			}
			seq = next
		}
	}
	return nil
}
