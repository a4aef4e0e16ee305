package query

import (
	"cmp"
	"slices"
	"strings"

	"thawtrail/internal/event"
	"thawtrail/internal/label"
	"thawtrail/internal/ledger"
	"thawtrail/internal/say"
	pb "thawtrail/proto/thawtrail/v1"
)

// Course is all that was done for a patient, in the order in which it happened: the
// entries of its case, and what was done with the bags of the case beside the patient.
// Bags are named by their numbers alone, and the only one not on every line: product and
// batch stand in the list of the bags.
func (b *ReadView) Course(c *ledger.Case) ([]*pb.TimelineRow, error) {
	entries, of, numbers := slices.Clone(c.Timeline), []event.Key{c.Entity}, []string{}
	bags := BagsOf(c)
	if len(bags) == 1 {
		numbers = append(numbers, ", "+b.BagWords(bags[0]), "")
	}
	for _, id := range bags {
		bag, err := b.Bag(id)
		if err != nil {
			return nil, err
		}
		if bag == nil {
			continue
		}
		of = append(of, bag.Entity)
		numbers = append(numbers, b.BagWords(id), say.Text("named.number", label.BagNumber(id).String()))
		entries = append(entries, asideOf(bag, entries)...)
	}
	slices.SortStableFunc(entries, func(x, y ledger.Entry) int { return cmp.Compare(x.AtMs, y.AtMs) })
	rows := b.story(c.Entity, entries, of...)
	short := strings.NewReplacer(numbers...)
	for _, r := range rows {
		r.What, r.Wrong, r.Was = short.Replace(r.What), short.Replace(r.Wrong), short.Replace(r.Was)
	}
	return rows, nil
}

// aside are the events of a bag that are done for its patient, away from the patient.
var aside = []string{
	"bags_carried", "thaw_started", "bath_measured", "bag_thawed", "bag_softened", "bag_refrozen", "set_attached", "bag_discarded", "bag_returned", "bag_kept_back",
}

// asideOf are those of a bag that are not told yet, with what put them right.
func asideOf(bag *ledger.Bag, told []ledger.Entry) (out []ledger.Entry) {
	for _, e := range bag.Timeline {
		done := slices.ContainsFunc(told, func(o ledger.Entry) bool { return o.Record == e.Record })
		if !done && slices.Contains(aside, event.Name(e.Type)) {
			out = append(out, e)
		}
	}
	for _, fix := range bag.Timeline {
		if slices.ContainsFunc(out, func(e ledger.Entry) bool { return e.By == fix.Record && fix.Record != e.Record }) {
			out = append(out, fix)
		}
	}
	return out
}
