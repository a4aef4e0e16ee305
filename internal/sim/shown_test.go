package sim

import (
	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/ledger/ledgertest"
	"thawtrail/internal/store"
)

// shownKinds are what people look at to decide: a hold, a bag, a case, a place.
var shownKinds = []string{event.KindBag, event.KindBatch, event.KindCase, event.KindPlace}

// checkShown holds a node to what it showed before: it is shown now, or a record that
// the node holds says why not.
func (w *world) checkShown(n *node) {
	if n.store == nil || n.sick || n.index.Refuse != nil || n.unsettled() {
		return
	}
	err := n.store.View(ctx, func(v *store.Snapshot) error {
		var states []ledger.State
		for _, kind := range shownKinds {
			err := v.Each(kind, func(s ledger.State) (bool, error) {
				states = append(states, s)
				return true, nil
			})
			if err != nil {
				return err
			}
		}
		rights, err := v.Rights()
		if err != nil {
			return err
		}
		return n.shown.Look(states, ledgertest.Evidence{Records: n.read(), Rights: rights, Decayed: n.decayed})
	})
	if err != nil {
		w.fail("%s: %v", n.name, err)
	}
	w.count("looked at again")
}
