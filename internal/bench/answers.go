package bench

import (
	"context"
	"encoding/binary"
	"errors"
	"time"

	"thawtrail/internal/clock"
	"thawtrail/internal/store/index"
	pb "thawtrail/proto/thawtrail/v1"
)

const answerLimit = "reading as many keys from Badger as bags in the answer's range, one by one"

// answersMeasure times two questions to a server that holds n records: what lies
// at the freezer, and use by month over all years.
func answersMeasure(suffix string, n int64) func(context.Context, *lab) ([]Result, error) {
	return func(ctx context.Context, l *lab) (out []Result, err error) {
		f, err := l.hub(ctx, l.size(n))
		if err != nil {
			return nil, err
		}
		dir, err := l.copied(f)
		if err != nil {
			return nil, err
		}
		srv, err := startServer(ctx, dir, clock.System{})
		if err != nil {
			return nil, err
		}
		defer func() { err = errors.Join(err, srv.stop()) }()
		stock := pb.NewStockServiceClient(srv.conn)
		at, err := l.asked(ctx, "stock_by_place"+suffix, f, func() (int, error) {
			got, err := stock.ListStock(ctx, &pb.ListStockRequest{Place: "clinic freezer"})
			return len(got.GetBags()), err
		})
		if err != nil {
			return nil, err
		}
		use, err := l.asked(ctx, "audit_year"+suffix, f, func() (int, error) {
			got, err := pb.NewAuditServiceClient(srv.conn).ListUse(ctx, &pb.ListUseRequest{By: "month"})
			bags := 0
			for _, r := range got.GetRows() {
				bags += int(r.Received)
			}
			return bags, err
		})
		return []Result{at, use}, err
	}
}

// asked times a question and the limit, in turn; rows is how many bags it went over.
func (l *lab) asked(ctx context.Context, name string, f *filled, ask func() (rows int, err error)) (r Result, err error) {
	rows, err := ask()
	if err != nil {
		return r, err
	}
	limit, err := l.bareRows(rows)
	if err != nil {
		return r, err
	}
	defer func() { err = errors.Join(err, limit.db.Close()) }()
	var ours, limits []time.Duration
	for range 3 * rounds {
		watch := stopwatch()
		if _, err := ask(); err != nil {
			return r, err
		}
		ours, watch = append(ours, watch()), stopwatch()
		if _, err := limit.db.Read(limit.keys); err != nil {
			return r, err
		}
		limits = append(limits, watch())
	}
	r = inRounds(name, f.records, ours, limits, answerLimit)
	r.More["rows"], r.More["ms"] = rows, r.Seconds*1e3
	return r, nil
}

// stateBytes is about the size of a bag's state.
const stateBytes = 1500

// bareRows is a Badger that holds rows and nothing else.
type bareRows struct {
	db   *index.Limit
	keys [][]byte
}

func (l *lab) bareRows(n int) (b bareRows, err error) {
	dir, err := l.folder("reads")
	if err != nil {
		return b, err
	}
	if b.db, err = index.OpenLimit(dir); err != nil {
		return b, err
	}
	for from := 0; from < n; from += 1000 {
		var some, values [][]byte
		for i := from; i < min(from+1000, n); i++ {
			some = append(some, binary.BigEndian.AppendUint64(nil, uint64(i)))
			values = append(values, make([]byte, stateBytes))
		}
		if err := b.db.Put(some, values); err != nil {
			return b, errors.Join(err, b.db.Close())
		}
		b.keys = append(b.keys, some...)
	}
	return b, nil
}
