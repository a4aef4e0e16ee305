package projection

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/ledger/ledgertest"
	"thawtrail/internal/store/index/indextest"
	"thawtrail/internal/testrun"
	pb "thawtrail/proto/thawtrail/v1"
)

// evening is a rig whose records are drawn: two laptops write, correct, hold,
// release, fork and change rights.
type evening struct {
	*rig
	trail   *indextest.Trail
	random  *rand.Rand
	history *ledgertest.History
	shown   *int
}

func (e *evening) record() *event.Record {
	all := e.world.Records()
	return all[e.random.IntN(len(all))]
}

func (e *evening) write(by *ledgertest.Device) {
	bag, batch := fmt.Sprintf("BAG%d", e.random.IntN(6)), fmt.Sprintf("H-%d", e.random.IntN(2))
	switch e.random.IntN(12) {
	case 0, 1:
		by.Write(&pb.BatchHeld{Product: "P", Batch: batch, Reason: "the maker called"})
	case 2:
		by.Write(&pb.BatchReleased{Product: "P", Batch: batch, Hold: e.record().Hash.String(), Reason: "cleared"})
	case 3:
		if r := e.record(); r.Head.Type >= 30 && r.Head.Type < 1000 {
			by.Correct(r, nil)
		}
	case 4:
		by.Write(&pb.TransfusionStarted{Bag: bag, Case: "CASE", Product: "P", Batch: batch})
	case 5:
		by.Write(&pb.TransfusionEnded{Bag: bag, Case: "CASE", GivenMl: 400})
	case 6:
		by.Write(&pb.ThawStarted{Bag: bag, Case: "CASE"})
	case 7:
		e.odd(by)
	default:
		by.Write(&pb.BagsReceived{Bags: []string{bag}, Product: "P", Batch: batch, Expiry: "2028-03", VolumeMl: 950, Count: 1, Place: "CLINIC"})
	}
}

// odd is what happens seldom.
func (e *evening) odd(by *ledgertest.Device) {
	switch e.random.IntN(6) {
	case 0:
		by.Write(&pb.RightsRevoked{Device: by.ID(), Cuts: by.Tips(), Reason: "lost"})
	case 1:
		log := by.Log()
		by.Write(&pb.LogAdmitted{Log: log[:], Reason: "found again"})
	case 2:
		back := by.Fork()
		by.Write(&pb.BagThawed{Bag: "BAG1"})
		back()
		by.Write(&pb.BagThawed{Bag: "BAG2"})
	}
}

// look holds the replica to what it showed, over the index as it stands.
func (e *evening) look(when string) {
	e.t.Helper()
	e.rig.look(func(v *Snapshot) error {
		var states []ledger.State
		for _, kind := range []string{event.KindBag, event.KindBatch, event.KindCase, event.KindPlace} {
			err := v.Each(kind, func(s ledger.State) (bool, error) {
				states = append(states, s)
				return true, nil
			})
			if err != nil {
				return err
			}
		}
		rights, _, err := Get[*ledger.Rights](v, event.RightsKey)
		held := map[event.Hash]*event.Record{}
		for _, r := range e.world.Records()[:e.saved] {
			held[r.Hash] = r
		}
		require.NoError(e.t, e.history.Look(states, ledgertest.Evidence{Records: held, Rights: rights}), when)
		*e.shown = max(*e.shown, e.history.Len())
		return err
	})
}

// step lets one thing happen: records come, some are applied out of turn, some in
// turn and few at a time, or the program ends and starts again.
func (e *evening) step(south *ledgertest.Device) {
	switch e.random.IntN(7) {
	case 0, 1, 2:
		for range 1 + e.random.IntN(5) {
			e.write([]*ledgertest.Device{e.device, south}[e.random.IntN(2)])
		}
		e.save()
		e.look("records came")
	case 3:
		require.NoError(e.t, e.ApplyPriority(e.t.Context()))
		e.look("applied with priority")
	case 4, 5:
		e.batch = 1 + e.random.IntN(4)
		_, err := e.applyStep(e.journal.End())
		require.NoError(e.t, err)
		e.look("applied in turn")
	case 6:
		e.restart()
		e.look("started again")
	}
}

// restart stops the program, sometimes so that the index loses its newest updates.
func (e *evening) restart() {
	unclean := e.random.IntN(2) == 0
	if unclean {
		e.trail = e.trail.AsOf(e.trail.Len() - e.random.IntN(min(4, e.trail.Len())))
	}
	e.trail = e.trail.Reopened()
	e.rig = e.again(e.trail, func(o *Options) { o.Unclean = unclean })
}

// Whatever comes, in whatever pieces and order it is applied, with stops in between:
// what was shown once stays shown until a record says why not.
func TestLawNothingShownVanishes(t *testing.T) {
	shown, first := 0, testrun.Seed()
	t.Logf("seeds from %d", first)
	for seed := range uint64(testrun.Of(30, 200)) {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			trail := (&indextest.Trail{}).Reopened()
			e := &evening{rig: newRig(t, trail), trail: trail, random: rand.New(rand.NewPCG(first, seed)), history: &ledgertest.History{}, shown: &shown}
			south := e.world.Device("south")
			if seed%2 == 0 {
				e.world.Found(e.device)
				e.world.Admit(e.device, south)
			}
			for range 60 {
				e.step(south)
			}
			e.requireRebuilt()
		})
	}
	require.Greater(t, shown, 100)
}
