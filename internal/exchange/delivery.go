package exchange

import (
	"slices"

	"thawtrail/internal/event"
)

// Delivery is where a record is, as a person is told.
type Delivery uint8

// The three states of a record. All say the least that is certain.
const (
	// SavedHere: durable on this laptop.
	SavedHere Delivery = iota
	// Sent: the clinic's server, or one that it replaced, said that it is durable
	// there.
	Sent
	// HeldOnServer: a statement of the server's present epoch covers it.
	HeldOnServer
)

// String is the state in words.
func (d Delivery) String() string {
	return [...]string{"saved here", "sent", "held on the clinic's server"}[d]
}

// Deliveries is what this laptop knows about the clinic's server.
type Deliveries struct {
	// Acked are the newest tips that a server acknowledged, in any epoch, ordered
	// by log; several of one log when it is forked.
	Acked []LogTip
	// Statements holds the statements of the server's present epoch. When the epoch
	// changes it is begun anew, and what was held counts as sent.
	Statements StatementLog
}

// StateOf tells where the record at one place is. h is what is held here of its
// log. A confirmed tip counts when it is held here and the record leads to it:
// in a log without a fork, and below the fork, every record up to it does; from
// the fork on only the tip itself is taken for certain.
func StateOf(at LogTip, h HeldLog, has Has, d Deliveries) Delivery {
	leads := func(tip Tip) bool {
		direct := h.Fork == 0 || at.Seq < h.Fork
		return tip == at.Tip || direct && tip.Seq > at.Seq && holds(h, has, tip)
	}
	if tip, ok := d.Statements.Tips[at.Log]; ok && leads(tip) {
		return HeldOnServer
	}
	i, _ := slices.BinarySearchFunc(d.Acked, at.Log, func(t LogTip, id event.LogID) int { return t.Log.Compare(id) })
	for ; i < len(d.Acked) && d.Acked[i].Log == at.Log; i++ {
		if leads(d.Acked[i].Tip) {
			return Sent
		}
	}
	return SavedHere
}
