package exchange

import (
	"cmp"
	"slices"

	"thawtrail/internal/event"
)

// Want is a stretch of one log that the other side lacks.
type Want struct {
	Log    event.LogID
	Urgent bool
	From   uint64
	// Refill says that it was lost to damage there, below the tip; what comes
	// after To is held there. A run ends at a signature, so it may go past To.
	Refill bool
	To     uint64
}

// Plan lists what the other side lacks and this side can give: urgent logs
// first, in each lane what was lost before what is new, then in the order of log
// ids. At most limit entries: ask again after those.
func Plan(mine, theirs []HeldLog, has Has, limit int) []Want {
	var out []Want
	for _, pair := range pairs(mine, theirs) {
		my, their := pair[0], pair[1]
		if r, ok := refillable(their.Missing, my); ok {
			out = append(out, Want{my.Log, my.urgent(), r.From, true, r.To})
		}
		if from, lack := lackedFrom(my, their, has); lack && !anyHas(my.Missing, from) {
			out = append(out, Want{Log: my.Log, Urgent: my.urgent(), From: from, To: my.Tip().Seq})
		}
	}
	slices.SortStableFunc(out, func(a, b Want) int {
		return cmp.Or(before(a.Urgent, b.Urgent), before(a.Refill, b.Refill), a.Log.Compare(b.Log))
	})
	return out[:min(len(out), limit)]
}

// before sorts true first.
func before(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return -1
	}
	return 1
}
