package query

import (
	"cmp"
	"context"
	"maps"
	"slices"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/refusal"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// GetBalance adds up, for a span of days, what there was, what came, what went and what
// is left, by place or product. It is a sum over the moves of every bag (ledger.Move),
// each of which ends where the next begins: so it ties out whatever was entered late,
// out of order or corrected, and a figure changes only with the records behind it.
func (s Reader) GetBalance(ctx context.Context, req *pb.GetBalanceRequest) (*pb.GetBalanceResponse, error) {
	out := &pb.GetBalanceResponse{}
	err := s.View(ctx, func(b *ReadView) error {
		if err := event.Typed(req); err != nil {
			return err
		}
		out.Freshness = b.freshness()
		if b.practice != nil {
			out.Currency = b.practice.Currency
		}
		sum, err := b.newBalance(req)
		if err != nil {
			return err
		}
		out.From, out.Until = b.At(sum.from), b.At(sum.until)
		err = b.EachLine(event.KindBag, func(raw []byte) (bool, error) {
			bag, err := ledger.DecodeBagLine(raw)
			if err == nil {
				err = sum.add(bag)
			}
			return true, err
		})
		out.Rows = sum.list()
		return err
	})
	return out, err
}

// balance is a balance while it is added up.
type balance struct {
	span
	b     *ReadView
	by    string
	names bool
	rows  map[string]*balanceRow
}

type balanceRow struct {
	*pb.BalanceRow
	lines map[way]*pb.BalanceLine
}

// way is what one line of a balance is about.
type way struct {
	out    bool
	how    string
	reason pb.DiscardReason
}

// Moves from one place to another, as the two places see them.
const (
	movedIn  = "moved_in"
	movedOut = "moved_out"
)

func (b *ReadView) newBalance(req *pb.GetBalanceRequest) (*balance, error) {
	if !slices.Contains([]string{"", "place", "product"}, req.By) {
		return nil, refusal.New("by", req.By, "place, product, or nothing for the whole practice")
	}
	in, err := b.days(req.From, cmp.Or(req.To, req.From))
	if err != nil {
		return nil, err
	}
	return &balance{b: b, by: req.By, names: req.Bags, span: in, rows: map[string]*balanceRow{}}, nil
}

// add puts the moves of one bag into the rows that they concern.
func (s *balance) add(bag *ledger.BagLine) error {
	books, err := bag.ReadBooks()
	if err != nil {
		return err
	}
	fromMs, untilMs := s.from.UnixMilli(), s.until.UnixMilli()
	var opening, closing ledger.LineMove
	for _, m := range books.Moves {
		switch {
		case m.AtMs < fromMs:
			opening, closing = m, m
		case m.AtMs < untilMs:
			closing = m
			s.move(bag, m)
		}
	}
	ml := volumeOf(bag)
	if opening.Is {
		row := s.row(bag, opening.To)
		row.Opening++
		row.OpeningMl += ml
	}
	if closing.Is {
		row := s.row(bag, closing.To)
		row.Closing++
		row.ClosingMl += ml
	}
	for _, d := range books.Doses {
		if s.has(d.AtMs) {
			s.row(bag, d.Place).GivenMl += int64(d.Ml)
		}
	}
	for _, t := range books.Thrown {
		if t.Ml != nil && s.has(t.AtMs) {
			s.row(bag, bag.Place).ThrownMl += int64(*t.Ml)
		}
	}
	return nil
}

// move puts one move into the line of the row, or of the two rows, that it concerns.
func (s *balance) move(bag *ledger.BagLine, m ledger.LineMove) {
	switch {
	case m.Was && m.Is:
		if from, to := s.row(bag, m.From), s.row(bag, m.To); from != to {
			s.line(from, bag, way{out: true, how: movedOut})
			s.line(to, bag, way{how: movedIn})
		}
	case m.Is:
		s.line(s.row(bag, m.To), bag, way{how: m.How})
	case m.Was:
		s.line(s.row(bag, m.From), bag, way{out: true, how: m.How, reason: m.Reason})
	}
}

// line counts a bag in one line of a row.
func (s *balance) line(row *balanceRow, bag *ledger.BagLine, w way) {
	l := row.lines[w]
	if l == nil {
		l = &pb.BalanceLine{Way: w.how, Out: w.out}
		if w.reason != pb.DiscardReason_DISCARD_REASON_UNSPECIFIED {
			l.Reason = wording.Code(w.reason)
		}
		row.lines[w] = l
	}
	l.Bags++
	l.VolumeMl += volumeOf(bag)
	if bag.Label != nil && bag.Label.CostMinor != nil {
		l.CostMinor += *bag.Label.CostMinor
	} else {
		row.Unpriced++
	}
	if s.names && len(l.Numbers) < MaxRows {
		l.Numbers = append(l.Numbers, bagText(bag.ID))
	}
}

func volumeOf(bag *ledger.BagLine) int64 {
	if bag.Label == nil {
		return 0
	}
	return int64(bag.Label.VolumeMl)
}

// row is the row of a place, a product, or the practice.
func (s *balance) row(bag *ledger.BagLine, place string) *balanceRow {
	name := "practice"
	switch s.by {
	case "place":
		name = cmp.Or(s.b.Name(event.KindPlace, place), "place not known")
	case "product":
		name = "product not known"
		if bag.Label != nil {
			name = s.b.Name(event.KindProduct, bag.Label.Product)
		}
	}
	if s.rows[name] == nil {
		s.rows[name] = &balanceRow{&pb.BalanceRow{Group: name}, map[way]*pb.BalanceLine{}}
	}
	return s.rows[name]
}

// list is the rows by name, what came before what went.
func (s *balance) list() (out []*pb.BalanceRow) {
	for _, name := range slices.Sorted(maps.Keys(s.rows)) {
		row := s.rows[name]
		for _, w := range slices.SortedFunc(maps.Keys(row.lines), compareWays) {
			row.Lines = append(row.Lines, row.lines[w])
		}
		out = append(out, row.BalanceRow)
	}
	return out
}

func compareWays(x, y way) int {
	if x.out != y.out {
		if y.out {
			return -1
		}
		return 1
	}
	return cmp.Or(cmp.Compare(x.how, y.how), cmp.Compare(x.reason, y.reason))
}
