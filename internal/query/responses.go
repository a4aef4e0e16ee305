package query

import (
	"cmp"
	"context"
	"slices"
	"strings"

	"thawtrail/internal/engine"
	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	pb "thawtrail/proto/thawtrail/v1"
)

// ListResponses tells what plasma did in foals, group by group: the share of its IgG
// that was found at the recheck, and who failed, was not rechecked, or died.
func (s Reader) ListResponses(ctx context.Context, req *pb.ListResponsesRequest) (*pb.ListResponsesResponse, error) {
	out := &pb.ListResponsesResponse{}
	err := s.View(ctx, func(b *ReadView) error {
		if err := event.Typed(req); err != nil {
			return err
		}
		if err := checkBy(req.By, "product", "batch", "donor", "age", "health"); err != nil {
			return err
		}
		in, err := b.spanOf(req.From, req.To)
		if err != nil {
			return err
		}
		out.Freshness = b.freshness()
		sum := responses{groups: b.groupedBy(req.By), rows: map[string]*responseRow{}}
		if err := b.eachTreated(in, sum.add); err != nil {
			return err
		}
		return sum.tell(out)
	})
	return out, err
}

type responses struct {
	groups
	rows  map[string]*responseRow
	basis []string // sources
}

type responseRow struct {
	*pb.ResponseRow
	cases  []caseAt
	shares []float64
	riseCg int64 // summed exactly: a figure must not depend on the order of the foals
}

// failedUnder is the IgG at the recheck under which plasma did not do enough: partial
// failure of transfer begins there (facts of the engine's classes).
const failedUnderCgPerL = 800

func (s *responses) add(c *ledger.CaseLine, ts []treatment) error {
	if !c.Foal() {
		return nil
	}
	before, after := c.NumberBefore(ts[0].FirstMs), c.NumberAfter(ts[0].FirstMs)
	found, err := s.found(c, ts, before, after)
	if err != nil {
		return err
	}
	var seen []string
	for _, t := range ts {
		group := s.of(t)
		if slices.Contains(seen, group) {
			continue
		}
		seen = append(seen, group)
		s.row(group).count(c, before, after, found)
	}
	return nil
}

func (s *responses) row(group string) *responseRow {
	row, ok := s.rows[group]
	if !ok {
		row = &responseRow{ResponseRow: &pb.ResponseRow{Group: group}}
		s.rows[group] = row
	}
	return row
}

// count adds one foal.
func (r *responseRow) count(c *ledger.CaseLine, before, after *ledger.LineTest, found *engine.ResponseResult) {
	r.N++
	r.cases = append(r.cases, caseAt{c.OpenedMs, strings.Clone(c.ID)})
	if after == nil {
		r.NotRechecked++
	} else if *after.IggCgPerL < failedUnderCgPerL {
		r.Failed++
	}
	if o := c.Outcome; o == pb.Outcome_OUTCOME_DIED || o == pb.Outcome_OUTCOME_EUTHANASED {
		r.Died++
	}
	if found != nil {
		r.Measured++
		r.shares, r.riseCg = append(r.shares, found.ShareFound), r.riseCg+int64(*after.IggCgPerL-*before.IggCgPerL)
	}
}

// found reckons the share found; nil where a number for it is missing.
func (s *responses) found(c *ledger.CaseLine, ts []treatment, before, after *ledger.LineTest) (*engine.ResponseResult, error) {
	if before == nil || after == nil || len(c.Weights) == 0 {
		return nil, nil
	}
	var igg, ml float64
	for _, t := range ts {
		if t.bag == nil {
			return nil, nil
		}
		cg, _, err := s.b.DonorIgg(t.bag)
		if err != nil {
			return nil, err
		}
		if cg == 0 {
			return nil, nil
		}
		igg, ml = igg+float64(cg)/100*float64(t.Ml), ml+float64(t.Ml)
	}
	if ml == 0 {
		return nil, nil
	}
	r, err := engine.Response(engine.ResponseInput{
		WeightKg:       float64(c.Weights[len(c.Weights)-1].WeightG) / 1000,
		IgGBeforeGPerL: new(float64(*before.IggCgPerL) / 100), IgGAfterGPerL: new(float64(*after.IggCgPerL) / 100),
		GivenMl: ml, DonorIgGGPerL: igg / ml, AgeH: hoursSince(c.BornMs, ts[0].FirstMs),
	})
	if err != nil {
		return nil, nil //nolint:nilerr // what the engine refuses cannot be measured; it stays on the sheet
	}
	s.basis = r.Sources
	return &r, nil
}

func (s *responses) tell(out *pb.ListResponsesResponse) error {
	for _, row := range s.rows {
		m, err := engine.MiddleOf(row.shares)
		if err != nil {
			return err
		}
		if row.Measured > 0 {
			row.ShareFound = &pb.ShareSpan{Low: m.Quartiles.Low, Mid: m.Quartiles.Mid, High: m.Quartiles.High}
			row.RiseGPerL = float64(row.riseCg) / 100 / float64(row.Measured)
		}
		if m.Median != nil {
			row.MedianLow, row.MedianHigh = new(m.Median.Low), new(m.Median.High)
		}
		row.Cases = newest(row.cases)
		out.Rows = append(out.Rows, row.ResponseRow)
	}
	slices.SortFunc(out.Rows, func(x, y *pb.ResponseRow) int { return cmp.Compare(x.Group, y.Group) })
	out.Sources = s.basis
	return nil
}
