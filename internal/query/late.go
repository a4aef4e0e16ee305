package query

import (
	"cmp"
	"context"
	"slices"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store"
	pb "thawtrail/proto/thawtrail/v1"
)

// ListLate lists entries made afterwards, case by case: the case with the newest
// one first, and in it as they happened.
func (s Reader) ListLate(ctx context.Context, req *pb.ListLateRequest) (*pb.ListLateResponse, error) {
	out := &pb.ListLateResponse{}
	err := s.View(ctx, func(b *ReadView) (err error) {
		if err := event.Typed(req); err != nil {
			return err
		}
		asked, err := b.askedOf(req)
		if err != nil {
			return err
		}
		out.Next, err = b.listed(req, []string{ledger.TermLate}, func(f store.Found) error {
			c, err := b.Case(f.Key.ID)
			if err != nil || c == nil {
				return err
			}
			rows := b.lateOf(c, asked)
			out.Rows = append(out.Rows, rows...)
			return orNotAsked(rows)
		})
		return err
	})
	return out, err
}

func (b *ReadView) lateOf(c *ledger.Case, asked asked) (out []*pb.LateRow) {
	for _, e := range c.Timeline {
		spec, known := event.Lookup(e.Type)
		if !known || !e.Marks.Has(ledger.MarkLate) || !e.Stands() || !asked.has(e.AtMs, e.Author) {
			continue
		}
		out = append(out, &pb.LateRow{
			Case: c.Entity.ID, Patient: patientOrCase(c), What: spec.Name, At: b.Stamp(e.AtMs), WrittenAt: b.Stamp(e.WallMs),
			Who: b.Person(e.Author), Record: e.Record.String(), NoProof: e.Marks.Has(ledger.MarkNoProof),
			Unsigned: e.Marks.Has(ledger.MarkUnsigned),
		})
	}
	return out
}

// ListOverrides counts the cautions that were gone past, by month and code, the
// newest month first, so that useless ones are found and removed.
func (s Reader) ListOverrides(ctx context.Context, _ *pb.ListOverridesRequest) (*pb.ListOverridesResponse, error) {
	out := &pb.ListOverridesResponse{}
	err := s.View(ctx, func(b *ReadView) error {
		n := map[ledger.OverrideCount]int{}
		err := b.FindAll(ledger.TermOverrides, func(f store.Found) (bool, error) {
			if o, ok := ledger.OverridesOf(f.Term); ok {
				count := o.N
				o.N = 0
				n[o] += count
			}
			return true, nil
		})
		for o, count := range n {
			out.Rows = append(out.Rows, &pb.OverrideRow{Month: o.Month, Code: o.Code, Times: int32(count)})
		}
		slices.SortFunc(out.Rows, func(x, y *pb.OverrideRow) int {
			return cmp.Or(cmp.Compare(y.Month, x.Month), cmp.Compare(y.Times, x.Times), cmp.Compare(x.Code, y.Code))
		})
		return err
	})
	return out, err
}
