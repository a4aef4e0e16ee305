package query

import (
	"cmp"
	"maps"
	"slices"
	"strings"
	"time"

	"thawtrail/internal/event"
	"thawtrail/internal/label"
	"thawtrail/internal/ledger"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// Figures of a month beside the lines of its balance.
const (
	figureOpening = "opening"
	figureClosing = "closing"
)

// MonthFigures is the balance of a month by place, as the owner closes it. The month
// must be over.
func (b *ReadView) MonthFigures(month string) ([]*pb.ClosedFigure, error) {
	day, err := label.ParseDay("month", month)
	if err != nil || day.Day != 0 {
		return nil, refusal.New("month", month, "a month such as 2026-11")
	}
	in, err := b.days(month, month)
	if err != nil {
		return nil, err
	}
	if b.ClinicNow().Before(in.until) {
		return nil, refusal.New("month", month, "a month that is over: this one ends "+b.Clock(in.until.UnixMilli()))
	}
	found, err := b.figuresOf([]part{{in, month}})
	if err != nil {
		return nil, err
	}
	var out []*pb.ClosedFigure
	for _, l := range slices.SortedFunc(maps.Values(found[month]), compareFigures) {
		out = append(out, &pb.ClosedFigure{
			Place: l.Place, Way: l.How, Out: l.Out, Reason: l.Reason, Bags: l.Bags, VolumeMl: l.VolumeMl, CostMinor: l.CostMinor,
		})
	}
	return out, nil
}

// figure is what one line of a place's balance is about.
type figure struct {
	place, how, reason string
	out                bool
}

func figureOf(f ledger.Figure) figure { return figure{f.Place, f.How, f.Reason, f.Out} }

func compareFigures(x, y ledger.Figure) int {
	return cmp.Or(cmp.Compare(x.Place, y.Place), cmp.Compare(x.How, y.How), cmp.Compare(x.Reason, y.Reason))
}

// figuresOf are the lines of the balance by place of some months, in one reading.
func (b *ReadView) figuresOf(months []part) (map[string]map[figure]ledger.Figure, error) {
	s := &balance{b: b, by: byPlaceID, parts: months, rows: map[string]*balanceRow{}}
	if err := s.read(); err != nil {
		return nil, err
	}
	out := map[string]map[figure]ledger.Figure{}
	for name, row := range s.rows {
		month, place, _ := strings.Cut(name, "/")
		if out[month] == nil {
			out[month] = map[figure]ledger.Figure{}
		}
		put := func(f ledger.Figure) {
			if f.Place = place; f.Bags != 0 {
				out[month][figureOf(f)] = f
			}
		}
		put(ledger.Figure{How: figureOpening, Bags: row.Opening, VolumeMl: row.OpeningMl})
		put(ledger.Figure{How: figureClosing, Bags: row.Closing, VolumeMl: row.ClosingMl})
		for _, l := range row.lines {
			put(ledger.Figure{How: l.Way, Out: l.Out, Reason: l.Reason, Bags: l.Bags, VolumeMl: l.VolumeMl, CostMinor: l.CostMinor})
		}
	}
	return out, nil
}

// closings are the closed months that lie in a span, with what changed in them since.
func (b *ReadView) closings(in span) (out []*pb.Closing, err error) {
	var months []part
	var closed []*ledger.Month
	for from := in.from.In(b.zone); !from.AddDate(0, 1, 0).After(in.until) && len(months) < maxBalanceMonths; from = from.AddDate(0, 1, 0) {
		if from.Day() != 1 { // a span that begins within a month
			from = time.Date(from.Year(), from.Month(), 1, 0, 0, 0, 0, b.zone)
			continue
		}
		m, err := Get[*ledger.Month](b, event.KindMonth, from.Format("2006-01"))
		if err != nil {
			return nil, err
		}
		if m != nil && m.Closed != nil {
			months, closed = append(months, part{span{from, from.AddDate(0, 1, 0)}, m.Entity.ID}), append(closed, m)
		}
	}
	if len(months) == 0 {
		return nil, nil
	}
	now, err := b.figuresOf(months)
	for _, m := range closed {
		out = append(out, &pb.Closing{
			Month: m.Entity.ID, At: b.Stamp(m.Closed.AtMs), Who: b.Person(m.Closed.Author), Note: m.Note,
			Record: m.Closed.Record.String(), Changes: b.changes(m, now[m.Entity.ID]),
		})
	}
	return out, err
}

// changes are the lines of a closed month that are not what they were.
func (b *ReadView) changes(m *ledger.Month, now map[figure]ledger.Figure) (out []*pb.ClosingChange) {
	was := map[figure]ledger.Figure{}
	both := maps.Clone(now)
	if both == nil {
		both = map[figure]ledger.Figure{}
	}
	for _, f := range m.Figures {
		was[figureOf(f)], both[figureOf(f)] = f, f
	}
	for _, f := range slices.SortedFunc(maps.Values(both), compareFigures) {
		w, n := was[figureOf(f)], now[figureOf(f)]
		if w.Bags == n.Bags && w.VolumeMl == n.VolumeMl && w.CostMinor == n.CostMinor {
			continue
		}
		out = append(out, &pb.ClosingChange{
			Place: cmp.Or(b.Name(event.KindPlace, f.Place), "place not known"), Way: f.How, Out: f.Out, Reason: f.Reason,
			WasBags: w.Bags, Bags: n.Bags, WasVolumeMl: w.VolumeMl, VolumeMl: n.VolumeMl, WasCostMinor: w.CostMinor, CostMinor: n.CostMinor,
		})
	}
	return out
}
