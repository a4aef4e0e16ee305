package query

import (
	"slices"

	"thawtrail/internal/engine"
	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	pb "thawtrail/proto/thawtrail/v1"
)

// What can be done with a bag, by how it has left the stock; in stock: where it lies.
var canByEnd = map[string][]string{
	"":                  {"bags_moved", "bag_discarded", "bags_lent", "bag_returned", "bag_missing", "bag_kept_back", "bags_pulled", "label_unreadable"},
	ledger.EndGiven:     {"bag_discarded", "bag_kept_back", "bag_returned"},
	ledger.EndLent:      {"bag_returned", "bag_missing"},
	ledger.EndKeptBack:  {"bag_returned", "bags_moved", "bag_discarded"},
	ledger.EndMissing:   {"bag_found"},
	ledger.EndDiscarded: {"bag_found"},
	ledger.EndReturned:  {"bag_found"},
	ledger.EndLentBack:  {"bag_found"},
}

// canDo lists what can be done with a bag as it is: first what is asked of a person, a
// decision on a bag that was set aside.
func canDo(bag *ledger.Bag, states []string) (out []*pb.BagCan) {
	names := canByEnd[bag.Ended]
	if bag.Ended == "" && slices.Contains(states, string(engine.ShelfQuarantined)) {
		names = append([]string{"quarantine_decided"}, names...)
	}
	for _, name := range names {
		for _, spec := range event.All() {
			if spec.Name == name {
				out = append(out, &pb.BagCan{Event: name, Command: spec.Rule.GetCommand() + " " + bagText(bag.Entity.ID), Text: spec.Rule.GetShort()})
			}
		}
	}
	return out
}
