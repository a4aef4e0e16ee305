package query_test

import (
	"cmp"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/engine"
	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/query"
	"thawtrail/internal/testrun"
	pb "thawtrail/proto/thawtrail/v1"
)

// Results and reactions are told from the lines of cases and bags. Here they are counted
// from the whole states of all cases and bags instead, one by one and without any sum.

// counted is one group of results and reactions.
type counted struct {
	trials, events                          int32
	reacted, treated                        []string // cases, those that began last first
	n, measured, failed, notRechecked, died int32
	low, mid, high                          float64
}

// entities are all that the answers rest on, read in full.
type entities struct {
	*query.ReadView
	t           *testing.T
	by          string
	from, until time.Time
	groups      map[string]*counted
	shares      map[string][]float64
	looks       int32
	withoutBag  int32
}

func (e *entities) group(name string) *counted {
	if e.groups[name] == nil {
		e.groups[name] = &counted{}
	}
	return e.groups[name]
}

// count reads every case.
func (e *entities) count() {
	var cases []*ledger.Case
	require.NoError(e.t, e.Each(event.KindCase, func(s ledger.State) (bool, error) {
		cases = append(cases, s.(*ledger.Case))
		return true, nil
	}))
	slices.SortStableFunc(cases, func(x, y *ledger.Case) int { return cmp.Compare(y.OpenedMs(), x.OpenedMs()) })
	for _, c := range cases {
		ran := slices.DeleteFunc(slices.Clone(c.Transfusions), func(t ledger.Transfusion) bool {
			return t.FirstMs() < e.from.UnixMilli() || t.FirstMs() >= e.until.UnixMilli()
		})
		if len(ran) > 0 {
			e.countReactions(c, ran)
			e.countResults(c, ran)
		}
	}
	for name, shares := range e.shares {
		m, err := engine.MiddleOf(shares)
		require.NoError(e.t, err)
		g := e.group(name)
		g.low, g.mid, g.high = m.Quartiles.Low, m.Quartiles.Mid, m.Quartiles.High
	}
}

func (e *entities) countReactions(c *ledger.Case, ran []ledger.Transfusion) {
	reacted := map[string]bool{}
	for _, r := range c.Reactions {
		i := slices.IndexFunc(ran, func(t ledger.Transfusion) bool {
			while := t.FirstMs() <= r.Stamp.AtMs && (t.LastMs() == 0 || r.Stamp.AtMs <= t.LastMs()+time.Hour.Milliseconds())
			return r.Bag == t.Bag || r.Bag == "" && while
		})
		if i >= 0 {
			reacted[ran[i].Bag] = true
		} else if r.Bag == "" {
			e.withoutBag++
		}
	}
	for _, t := range ran {
		g := e.group(e.nameOf(c, &t))
		e.looks++
		g.trials++
		if reacted[t.Bag] {
			g.events++
			g.reacted = add(g.reacted, c.Entity.ID)
		}
	}
}

// add keeps each once.
func add(to []string, one string) []string {
	if slices.Contains(to, one) {
		return to
	}
	return append(to, one)
}

func (e *entities) label(bag string) *ledger.BagLabel {
	b, err := e.Bag(bag)
	require.NoError(e.t, err)
	if b == nil {
		return nil
	}
	return b.Label
}

// nameOf is the group of one bag in one patient.
func (e *entities) nameOf(c *ledger.Case, t *ledger.Transfusion) string {
	label, product, batch, donor := e.label(t.Bag), t.Product, t.Batch, "not known"
	if label != nil {
		product, batch, donor = label.Product, label.Batch, cmp.Or(e.Name(event.KindDonor, label.Donor), "donor not told")
	}
	switch e.by {
	case "product":
		return cmp.Or(e.Name(event.KindProduct, product), "not known")
	case "batch":
		if product == "" || batch == "" {
			return "not known"
		}
		return e.Name(event.KindProduct, product) + ", " + batch
	case "donor":
		return donor
	case "rate":
		return rateOf(c, t)
	case "health":
		return healthOf(c, t)
	}
	age := time.Duration(-1)
	if c.Patient != nil && c.Patient.BornMs != 0 {
		age = time.Duration(t.FirstMs()-c.Patient.BornMs) * time.Millisecond
	}
	switch {
	case age < 0 && !c.Foal():
		return "adult"
	case age < 0:
		return "age not known"
	case age < 7*24*time.Hour:
		return "under 7 days"
	case age < 30*24*time.Hour:
		return "7 to 29 days"
	}
	return "30 days and older"
}

// healthOf is what the newest look from before the start found.
func healthOf(c *ledger.Case, t *ledger.Transfusion) string {
	newest, sick := int64(-1), false
	for _, x := range c.Exams {
		if x.Stamp.AtMs <= t.FirstMs() && x.Stamp.AtMs >= newest {
			newest, sick = x.Stamp.AtMs, len(x.Signs) > 0
		}
	}
	switch {
	case newest < 0:
		return "not examined before plasma"
	case sick:
		return "signs of illness before plasma"
	}
	return "no sign of illness before plasma"
}

// rateOf is the band of the mean rate, by the last weight from before the start.
func rateOf(c *ledger.Case, t *ledger.Transfusion) string {
	kg, hours := 0.0, float64(t.LastMs()-t.FirstMs())/3.6e6
	for _, w := range c.Weights {
		if w.Stamp.AtMs <= t.FirstMs() {
			kg = float64(w.WeightG) / 1000
		}
	}
	if kg == 0 || hours <= 0 || t.CountedMl() <= 0 {
		return "rate not known"
	}
	switch rate := float64(t.CountedMl()) / hours / kg; {
	case rate <= 10:
		return "up to 10 mL/kg/h"
	case rate <= 20:
		return "up to 20 mL/kg/h"
	case rate <= 30:
		return "up to 30 mL/kg/h"
	}
	return "over 30 mL/kg/h"
}

func (e *entities) countResults(c *ledger.Case, ran []ledger.Transfusion) {
	if !c.Foal() {
		return
	}
	before, after := e.igg(c, ran[0].FirstMs())
	var names []string
	for i := range ran {
		names = add(names, e.nameOf(c, &ran[i]))
	}
	for _, name := range names {
		g := e.group(name)
		g.n, g.treated = g.n+1, append(g.treated, c.Entity.ID)
		switch {
		case after == nil:
			g.notRechecked++
		case *after < 800:
			g.failed++
		}
		if o := c.Outcome(); o == pb.Outcome_OUTCOME_DIED || o == pb.Outcome_OUTCOME_EUTHANASED {
			g.died++
		}
		if share, ok := e.share(c, ran, before, after); ok {
			g.measured++
			e.shares[name] = append(e.shares[name], share)
		}
	}
}

// igg is the last number before plasma and the first one after it.
func (e *entities) igg(c *ledger.Case, ms int64) (before, after *int32) {
	for _, t := range c.IggTests {
		at := cmp.Or(t.SampledMs, t.Stamp.AtMs)
		switch {
		case t.IggCgPerL == nil:
		case !t.Recheck && at <= ms:
			before = t.IggCgPerL
		case t.Recheck && at > ms && after == nil:
			after = t.IggCgPerL
		}
	}
	return before, after
}

func (e *entities) share(c *ledger.Case, ran []ledger.Transfusion, before, after *int32) (float64, bool) {
	if before == nil || after == nil || len(c.Weights) == 0 {
		return 0, false
	}
	grams, ml := 0.0, 0.0
	for i := range ran {
		label := e.label(ran[i].Bag)
		if label == nil {
			return 0, false
		}
		cg, _, err := e.DonorIgg(label)
		require.NoError(e.t, err)
		if cg == 0 {
			return 0, false
		}
		grams, ml = grams+float64(cg)/100*float64(ran[i].CountedMl()), ml+float64(ran[i].CountedMl())
	}
	if ml == 0 {
		return 0, false
	}
	in := engine.ResponseInput{
		WeightKg: float64(c.Weights[len(c.Weights)-1].WeightG) / 1000, GivenMl: ml, DonorIgGGPerL: grams / ml,
		IgGBeforeGPerL: new(float64(*before) / 100), IgGAfterGPerL: new(float64(*after) / 100),
	}
	if born := c.Patient.BornMs; born != 0 && born <= ran[0].FirstMs() {
		in.AgeH = new(float64(ran[0].FirstMs()-born) / 3.6e6)
	}
	r, err := engine.Response(in)
	return r.ShareFound, err == nil
}

// requireFromEntities compares what a laptop answers with what its states come to.
func requireFromEntities(t *testing.T, l *entrytest.Laptop) {
	t.Helper()
	for _, by := range []string{"product", "batch", "donor", "rate", "age", "health"} {
		for _, month := range []string{"", "2026-09"} {
			e := &entities{t: t, by: by, until: time.UnixMilli(1 << 52), groups: map[string]*counted{}, shares: map[string][]float64{}}
			require.NoError(t, l.View(t.Context(), func(b *query.ReadView) error {
				if e.ReadView = b; month != "" {
					e.from = time.Date(2026, 9, 1, 0, 0, 0, 0, b.Zone())
					e.until = e.from.AddDate(0, 1, 0)
				}
				e.count()
				return nil
			}))
			got := e.answered(l, month)
			require.Equal(t, e.groups, got, "by %s, %q", by, month)
		}
	}
}

// answered are the same groups as the laptop tells them.
func (e *entities) answered(l *entrytest.Laptop, month string) map[string]*counted {
	out := map[string]*counted{}
	reactions, err := l.ListReactions(e.t.Context(), &pb.ListReactionsRequest{By: e.by, From: month})
	require.NoError(e.t, err)
	require.Equal(e.t, e.withoutBag, reactions.WithoutBag)
	require.Equal(e.t, e.looks, reactions.GetChart().GetTransfusions())
	for _, r := range reactions.Rows {
		out[r.Group] = &counted{trials: r.Trials, events: r.Events, reacted: r.Cases}
	}
	if e.by == "rate" { // by which results are not told
		for _, g := range e.groups {
			*g = counted{trials: g.trials, events: g.events, reacted: g.reacted}
		}
		return out
	}
	results, err := l.ListResponses(e.t.Context(), &pb.ListResponsesRequest{By: e.by, From: month})
	require.NoError(e.t, err)
	for _, r := range results.Rows {
		g := out[r.Group]
		require.NotNil(e.t, g, r.Group)
		g.treated, g.n, g.measured, g.failed, g.notRechecked, g.died = r.Cases, r.N, r.Measured, r.Failed, r.NotRechecked, r.Died
		g.low, g.mid, g.high = r.GetShareFound().GetLow(), r.GetShareFound().GetMid(), r.GetShareFound().GetHigh()
	}
	return out
}

// Whatever is typed in whatever order, wrongly, corrected or voided: results and reactions
// by lines are those by states.
func TestLawLinesTellWhatStatesTell(t *testing.T) {
	met, healths := counted{}, map[string]bool{}
	for round := range uint64(testrun.Rounds(4, 25, 300)) {
		seed := testrun.Seed() + round
		all := drawHistory(rand.New(rand.NewPCG(seed, 3)))
		wrong := newBooks(t)
		wrong.errs(rand.New(rand.NewPCG(seed, 4)), all)
		requireFromEntities(t, wrong.Laptop)
		e := &entities{t: t, by: "health", until: time.UnixMilli(1 << 52), groups: map[string]*counted{}, shares: map[string][]float64{}}
		require.NoError(t, wrong.View(t.Context(), func(b *query.ReadView) error {
			e.ReadView = b
			e.count()
			return nil
		}))
		for name, g := range e.groups {
			healths[name] = true
			met.events, met.measured, met.failed = met.events+g.events, met.measured+g.measured, met.failed+g.failed
		}
	}
	require.Len(t, healths, 3, "each state of health was met")
	require.Positive(t, met.events, "no history had a reaction")
	require.Positive(t, met.measured, "no history had a share found")
	require.Positive(t, met.failed, fmt.Sprintf("no foal failed: %+v", met))
}
