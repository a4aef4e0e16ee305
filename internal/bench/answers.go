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

// asked times a question, best of some; rows is how many bags it went over.
func (l *lab) asked(ctx context.Context, name string, f *filled, ask func() (rows int, err error)) (Result, error) {
	best, rows := time.Hour, 0
	for range 3 * rounds {
		watch := stopwatch()
		n, err := ask()
		if err != nil {
			return Result{}, err
		}
		best, rows = min(best, watch()), n
	}
	limit, err := l.bareReads(rows)
	r := against(name, f.records, best, limit, answerLimit)
	r.More["rows"], r.More["ms"] = rows, ms(best)
	return r, err
}

// stateBytes is about the size of a bag's state.
const stateBytes = 1500

// bareReads is how long it takes to read n keys from a Badger that holds them.
func (l *lab) bareReads(n int) (took time.Duration, err error) {
	dir, err := l.folder("reads")
	if err != nil {
		return 0, err
	}
	db, err := index.OpenLimit(dir)
	if err != nil {
		return 0, err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	var keys [][]byte
	for from := 0; from < n; from += 1000 {
		var some, values [][]byte
		for i := from; i < min(from+1000, n); i++ {
			some = append(some, binary.BigEndian.AppendUint64(nil, uint64(i)))
			values = append(values, make([]byte, stateBytes))
		}
		if err := db.Put(some, values); err != nil {
			return 0, err
		}
		keys = append(keys, some...)
	}
	best := time.Hour
	for range rounds {
		watch := stopwatch()
		if _, err := db.Read(keys); err != nil {
			return 0, err
		}
		best = min(best, watch())
	}
	return best, nil
}
