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
		for _, q := range questions(ctx, pb.NewStockServiceClient(srv.conn), pb.NewAuditServiceClient(srv.conn)) {
			r, err := l.asked(ctx, q.name+suffix, f, q.ask)
			if err != nil {
				return nil, err
			}
			out = append(out, r)
		}
		return out, nil
	}
}

// question is one that a page or a command asks; ask gives how many bags or rows it went
// over, for the limit.
type question struct {
	name string
	ask  func() (int, error)
}

// answerNames are the names of the questions.
var answerNames = []string{"stock_by_place", "audit_year", "balance_year", "plasma_month", "recall_batch", "reactions", "responses", "levels"}

// answersOf are those with the size of the books.
func answersOf(suffix string) (out []string) {
	for _, name := range answerNames {
		out = append(out, name+suffix)
	}
	return out
}

func questions(ctx context.Context, stock pb.StockServiceClient, audit pb.AuditServiceClient) []question {
	asks := map[string]func() (int, error){
		"stock_by_place": func() (int, error) {
			got, err := stock.ListStock(ctx, &pb.ListStockRequest{Place: "clinic freezer"})
			return len(got.GetBags()), err
		},
		"audit_year": func() (bags int, err error) {
			got, err := audit.ListUse(ctx, &pb.ListUseRequest{By: "month"})
			for _, r := range got.GetRows() {
				bags += int(r.Received)
			}
			return bags, err
		},
		"balance_year": func() (bags int, err error) {
			got, err := audit.GetBalance(ctx, &pb.GetBalanceRequest{From: "2026-01", To: "2026-12", By: "place"})
			for _, r := range got.GetRows() {
				bags += int(r.Opening + r.Received)
			}
			return max(bags, 1), err
		},
		"plasma_month": func() (int, error) {
			got, err := audit.ListPlasma(ctx, &pb.ListPlasmaRequest{From: "2026-03", Limit: 100})
			return max(len(got.GetRows()), 1), err
		},
		"recall_batch": func() (int, error) {
			batches, err := stock.ListBatches(ctx, &pb.ListBatchesRequest{Limit: 1})
			if err != nil || len(batches.Batches) == 0 {
				return 1, err
			}
			b := batches.Batches[0]
			got, err := audit.GetRecall(ctx, &pb.GetRecallRequest{Product: b.Product, Batch: b.Batch})
			return max(len(got.GetBagsOut())+len(got.GetBagsGone()), 1), err
		},
		"reactions": func() (int, error) {
			got, err := audit.ListReactions(ctx, &pb.ListReactionsRequest{By: "batch"})
			return max(len(got.GetRows()), 1), err
		},
		"responses": func() (int, error) {
			got, err := audit.ListResponses(ctx, &pb.ListResponsesRequest{By: "product"})
			return max(len(got.GetRows()), 1), err
		},
		"levels": func() (int, error) {
			_, err := stock.ListLevels(ctx, &pb.ListLevelsRequest{})
			return 1, err
		},
	}
	var out []question
	for _, name := range answerNames {
		out = append(out, question{name, asks[name]})
	}
	return out
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
