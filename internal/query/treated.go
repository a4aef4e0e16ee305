package query

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/refusal"
)

// treatment is one bag into one patient.
type treatment struct {
	*ledger.LineRun
	c   *ledger.CaseLine
	bag *ledger.BagLabel // nil where its label is not here
}

// eachTreated goes through every case in which plasma ran, with the transfusions that
// began in a span, in the order of the cases' ids. It reads the lines of bags and cases
// once, each from the first to the last. What it hands on is valid until fn returns.
func (b *ReadView) eachTreated(in span, fn func(*ledger.CaseLine, []treatment) error) error {
	labels, err := b.labels()
	if err != nil {
		return err
	}
	var c ledger.CaseLine
	var ts []treatment
	return b.EachLine(event.KindCase, func(raw []byte) (bool, error) {
		if err := c.Read(raw); err != nil {
			return false, err
		}
		ts = ts[:0]
		for i := range c.Ran {
			if r := &c.Ran[i]; in.has(r.FirstMs) {
				ts = append(ts, treatment{LineRun: r, c: &c, bag: labels[r.Bag]})
			}
		}
		if len(ts) > 0 {
			err = fn(&c, ts)
		}
		return err == nil, err
	})
}

// labels is what stands about every bag, by its number. Bags of one delivery share theirs.
func (b *ReadView) labels() (map[string]*ledger.BagLabel, error) {
	out, same := map[string]*ledger.BagLabel{}, ledger.Labels{}
	err := b.EachLine(event.KindBag, func(raw []byte) (bool, error) {
		id, label, err := same.Read(raw)
		if label != nil {
			out[id] = label
		}
		return err == nil, err
	})
	return out, err
}

// newest are ids of cases, those that began last first.
func newest(cases []caseAt) (ids []string) {
	slices.SortFunc(cases, func(x, y caseAt) int { return cmp.Or(cmp.Compare(y.ms, x.ms), cmp.Compare(x.id, y.id)) })
	for _, c := range cases {
		ids = append(ids, c.id)
	}
	return ids
}

// caseAt is a case and when it began.
type caseAt struct {
	ms int64
	id string
}

const notKnown = "not known"

// groups names what transfusions belong to, by one of the ways in which results are
// grouped. What follows from the label alone is named once for the bags of a delivery.
type groups struct {
	b     *ReadView
	by    string
	named map[*ledger.BagLabel]string
}

func (b *ReadView) groupedBy(by string) groups {
	return groups{b: b, by: by, named: map[*ledger.BagLabel]string{}}
}

func (g groups) of(t treatment) string {
	switch g.by {
	case "rate":
		return t.rateBand()
	case "age":
		return t.ageBand()
	case "health":
		return t.health()
	}
	name, known := g.named[t.bag]
	if t.bag == nil || !known {
		name = g.labelled(t)
		g.named[t.bag] = name
	}
	return name
}

// labelled is the group of a bag by what stands about it.
func (g groups) labelled(t treatment) string {
	switch {
	case g.by == "product":
		return cmp.Or(g.b.Name(event.KindProduct, t.product()), notKnown)
	case g.by == "donor" && t.bag != nil:
		return cmp.Or(g.b.Name(event.KindDonor, t.bag.Donor), "donor not told")
	case g.by == "donor" || t.product() == "" || t.batch() == "":
		return notKnown
	}
	return g.b.Name(event.KindProduct, t.product()) + ", " + t.batch()
}

func (t treatment) product() string {
	if t.bag != nil {
		return t.bag.Product
	}
	return t.Product
}

func (t treatment) batch() string {
	if t.bag != nil {
		return t.bag.Batch
	}
	return t.Batch
}

// ageBand is the age when the bag began; the bands are those of the published rates
// (under 7 and under 30 days: J Vet Emerg Crit Care 2010, doi
// 10.1111/j.1476-4431.2010.00545.x).
func (t treatment) ageBand() string {
	age := hoursSince(t.c.BornMs, t.FirstMs)
	switch {
	case age == nil && !t.c.Foal():
		return "adult"
	case age == nil:
		return "age " + notKnown
	case *age < 7*24:
		return "under 7 days"
	case *age < 30*24:
		return "7 to 29 days"
	}
	return "30 days and older"
}

// health is what was found at the last look before the bag began.
func (t treatment) health() string {
	found := "not examined before plasma"
	for _, e := range t.c.Exams {
		switch {
		case e.AtMs > t.FirstMs:
			return found
		case e.Sick:
			found = "signs of illness before plasma"
		default:
			found = "no sign of illness before plasma"
		}
	}
	return found
}

// rateBand is the mean rate of the bag from its start to its end, clamped time
// included, by the weight that was known then.
func (t treatment) rateBand() string {
	hours, ml := float64(t.LastMs-t.FirstMs)/3.6e6, float64(t.Ml)
	i := slices.IndexFunc(t.c.Weights, func(w ledger.LineWeight) bool { return w.AtMs > t.FirstMs })
	if i < 0 {
		i = len(t.c.Weights)
	}
	if i == 0 || hours <= 0 || ml <= 0 {
		return "rate " + notKnown
	}
	rate := ml / hours / (float64(t.c.Weights[i-1].WeightG) / 1000)
	for _, upTo := range []float64{10, 20, 30} {
		if rate <= upTo {
			return fmt.Sprintf("up to %g mL/kg/h", upTo)
		}
	}
	return "over 30 mL/kg/h"
}

// checkBy refuses a grouping that is none of those that can be asked for.
func checkBy(by string, ways ...string) error {
	if slices.Contains(ways, by) {
		return nil
	}
	return refusal.New("by", by, strings.Join(ways, ", "))
}
