package query

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	"thawtrail/internal/caution"
	"thawtrail/internal/engine"
	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// What is usual in print: 6 of 107 transfusions of equine plasma were followed by a
// reaction (J Vet Emerg Crit Care 2010, doi 10.1111/j.1476-4431.2010.00545.x). Twice
// that should be noticed soon (ours).
const (
	usualReactions    = 6.0 / 107
	raisedReactions   = 2 * usualReactions
	usualInWords      = "6 of 107"
	maxChart          = 500
	srcUsualReactions = "usual share of transfusions with a reaction, 6 of 107: J Vet Emerg Crit Care 2010, doi 10.1111/j.1476-4431.2010.00545.x"
)

// ListReactions tells how often plasma was followed by a reaction, group by group: by
// exact intervals, each group against all others, and over time. A reaction belongs to
// the bag that it names, else to the one that ran.
func (s Reader) ListReactions(ctx context.Context, req *pb.ListReactionsRequest) (*pb.ListReactionsResponse, error) {
	out := &pb.ListReactionsResponse{}
	err := s.View(ctx, func(b *ReadView) error {
		if err := event.Typed(req); err != nil {
			return err
		}
		if err := checkBy(req.By, "batch", "product", "donor", "rate", "age", "health"); err != nil {
			return err
		}
		in, err := b.spanOf(req.From, req.To)
		if err != nil {
			return err
		}
		out.Freshness = b.freshness()
		sum := reactions{groups: b.groupedBy(req.By), rows: map[string]*reactionRow{}, intervals: map[[2]int]engine.IntervalResult{}}
		if err := b.eachTreated(in, sum.add); err != nil {
			return err
		}
		return sum.tell(out)
	})
	return out, err
}

// reactions are counted here, one transfusion after the other.
type reactions struct {
	groups
	rows       map[string]*reactionRow
	looks      []point
	withoutBag int32
	intervals  map[[2]int]engine.IntervalResult // by events and trials: many groups are alike
}

type reactionRow struct {
	*pb.ReactionRow
	cases []caseAt // in which a reaction was seen
}

// point is one transfusion on the chart.
type point struct {
	ms      int64
	bag     string
	reacted int
}

func (s *reactions) add(c *ledger.CaseLine, ts []treatment) error {
	reacted := map[string]bool{}
	for _, r := range c.Reactions {
		switch i := slices.IndexFunc(ts, func(t treatment) bool { return t.causes(r) }); {
		case i >= 0:
			reacted[ts[i].Bag] = true
		case r.Bag == "":
			s.withoutBag++
		}
	}
	for _, t := range ts {
		row, one := s.row(s.of(t)), point{ms: t.FirstMs, bag: strings.Clone(t.Bag)}
		row.Trials++
		if reacted[t.Bag] {
			row.Events++
			one.reacted = 1
			if n := len(row.cases); n == 0 || row.cases[n-1].id != c.ID {
				row.cases = append(row.cases, caseAt{c.OpenedMs, strings.Clone(c.ID)})
			}
		}
		s.looks = append(s.looks, one)
	}
	return nil
}

// causes says that a reaction is put to this bag: it names it, or this one ran then or
// had ended within the hour before.
func (t treatment) causes(r ledger.LineReaction) bool {
	if r.Bag != "" {
		return r.Bag == t.Bag
	}
	const after = 3_600_000
	return t.FirstMs <= r.AtMs && (t.LastMs == 0 || r.AtMs <= t.LastMs+after)
}

func (s *reactions) row(group string) *reactionRow {
	row, ok := s.rows[group]
	if !ok {
		row = &reactionRow{ReactionRow: &pb.ReactionRow{Group: group}}
		s.rows[group] = row
	}
	return row
}

// tell reckons with what was counted.
func (s *reactions) tell(out *pb.ListReactionsResponse) error {
	events, trials := 0, 0
	for _, row := range s.rows {
		events, trials = events+int(row.Events), trials+int(row.Trials)
		row.Cases = newest(row.cases)
		out.Rows = append(out.Rows, row.ReactionRow)
	}
	slices.SortFunc(out.Rows, func(x, y *pb.ReactionRow) int { return cmp.Compare(x.Group, y.Group) })
	var raised []caution.Raised
	for _, row := range out.Rows {
		more, err := s.reckon(row, events, trials, len(out.Rows))
		if err != nil {
			return err
		}
		raised = append(raised, more...)
	}
	out.Looks, out.WithoutBag = int32(len(out.Rows)), s.withoutBag
	chart, more, err := s.chart()
	out.Chart = chart
	out.Cautions = wording.Cautions(caution.Once(append(raised, more...)))
	out.Sources = []string{srcUsualReactions}
	return err
}

func (s *reactions) reckon(row *pb.ReactionRow, events, trials, groups int) ([]caution.Raised, error) {
	x, n := int(row.Events), int(row.Trials)
	sure, err := s.interval(x, n)
	if err != nil {
		return nil, err
	}
	row.Low, row.High = sure.Low, sure.High
	raised := sure.Cautions
	if groups > 1 {
		test, err := engine.Exact(engine.ExactInput{A: x, B: n - x, C: events - x, D: trials - n - events + x})
		if err != nil {
			return nil, err
		}
		row.PTwoSided, raised = new(test.PTwoSided), slices.Concat(raised, test.Cautions)
	}
	row.PByChance = engine.ByChance(x, n, usualReactions)
	row.Text = seenText(x, n, row.PByChance)
	return raised, nil
}

func (s *reactions) interval(events, trials int) (engine.IntervalResult, error) {
	key := [2]int{events, trials}
	if known, ok := s.intervals[key]; ok {
		return known, nil
	}
	sure, err := engine.Interval(engine.IntervalInput{Events: events, Trials: trials})
	if err == nil {
		s.intervals[key] = sure
	}
	return sure, err
}

// seenText is a group in one sentence.
func seenText(x, n int, chance float64) string {
	seen := fmt.Sprintf("seen %d of %d", x, n)
	if x == 0 {
		return seen
	}
	return fmt.Sprintf("%s; by chance alone at the usual %s this would be seen about 1 time in %s", seen, usualInWords, oneIn(chance))
}

// oneIn is a chance as people say it: two digits are enough.
func oneIn(chance float64) string {
	switch n := 1 / max(chance, 1e-9); {
	case n >= 1000:
		return "more than 1000"
	case n >= 100:
		return fmt.Sprintf("%d", int(n/10+0.5)*10)
	default:
		return fmt.Sprintf("%.2g", n)
	}
}

// chart follows all transfusions over time.
func (s *reactions) chart() (*pb.ReactionChart, []caution.Raised, error) {
	if len(s.looks) == 0 {
		return nil, nil, nil
	}
	slices.SortFunc(s.looks, func(x, y point) int { return cmp.Or(cmp.Compare(x.ms, y.ms), cmp.Compare(x.bag, y.bag)) })
	s.looks = s.looks[max(0, len(s.looks)-engine.MaxLooks):]
	counts := make([]int, len(s.looks))
	for i, l := range s.looks {
		counts[i] = l.reacted
	}
	r, err := engine.CUSUM(engine.CUSUMInput{Counts: counts, Usual: usualReactions, Raised: raisedReactions})
	if err != nil {
		return nil, nil, err
	}
	chart := &pb.ReactionChart{
		Usual: usualReactions, Raised: raisedReactions, Reference: r.Reference, Decision: r.Decision,
		RunLengthUsual: r.RunLengthUsual, RunLengthRaised: r.RunLengthRaised, Transfusions: int32(len(counts)),
		Sums: r.Sums[max(0, len(r.Sums)-maxChart):],
	}
	for _, l := range s.looks[len(s.looks)-len(chart.Sums):] {
		chart.SumsAtMs = append(chart.SumsAtMs, l.ms)
	}
	for _, at := range r.Signals {
		chart.Signals = append(chart.Signals, s.b.Stamp(s.looks[at-1].ms))
	}
	signals := "no signal"
	if n := len(r.Signals); n > 0 {
		signals = wording.Plural(n, "signal")
	}
	chart.Text = fmt.Sprintf("%s followed, %s; on average one comes by chance in %.0f transfusions while nothing is amiss, and within %.0f where reactions are twice as frequent",
		wording.Plural(len(counts), "transfusion"), signals, r.RunLengthUsual, r.RunLengthRaised)
	return chart, r.Cautions, nil
}
