package entry

import (
	"strings"
	"time"

	"thawtrail/internal/caution"
	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	pb "thawtrail/proto/thawtrail/v1"
)

// Start binds: the bag was checked for this patient, is thawed, fit, hangs at nobody
// else and alone here. Who is about to start gives a reason for each step that was
// skipped. What has happened is recorded, and the record carries the code of each.
var (
	startNotChecked = define("start_not_checked",
		"No check before the set goes in is noted of %s for this patient.")
	startCheckOpen = define("start_check_open",
		"The check of %s left open: %s.")
	startNotThawed = define("start_not_thawed",
		"Nothing says that %s is thawed: neither 'thawed' nor its check before the set goes in.")
	startNotFit = define("start_bag_not_fit",
		"Against %s stands: %s. The treating vet decides; the label comes first.")
	startGone = define("start_bag_gone",
		"Of %s the books say: %s.")
	startElsewhere = define("start_bag_elsewhere",
		"Of %s the books say: %s. Twins share a bag by 'shared with twin'; nobody else does.")
	startSetElsewhere = define("start_set_elsewhere",
		"The set of %s was attached for the %s. A new patient takes a new set.")
	startOtherRuns = define("start_other_bag_runs",
		"Here %s still runs: finish or stop it first.")
	startRunsAlready = define("start_runs_already",
		"Here %s runs already, since %s.")
	finishNotStarted = define("finish_not_started",
		"Nobody has started %s in this case. Is it the right bag?")
	startWithoutSet = caution.Define("start_without_set", caution.Note,
		"No set is noted for %s. Plasma always runs through a filter.")
)

// factCodes are the cautions of which a fact is marked instead of stopped.
var factCodes = map[string]bool{
	"rate_over_ceiling": true, "rate_over_label": true, "rate_over_40": true, "rate_without_weight": true,
	"bath_over_label": true,
}

// hardLimits are the cautions that one person alone does not go past: 60 mL/kg of plasma
// in 24 h, and 40 mL/kg/h.
var hardLimits = map[string]bool{"volume_24h_over_60": true, "rate_over_40": true}

// HardLimit says that whoever goes past a caution names a second person who agrees.
func HardLimit(code string) bool { return hardLimits[code] }

// define adds a caution that stops what is planned and marks what has happened.
func define(code, text string) *caution.Kind {
	factCodes[code] = true
	return caution.Define(code, caution.Reason, text)
}

// checkStart tells what stands against a start.
func (b view) checkStart(p *pb.TransfusionStarted, at time.Time) ([]caution.Raised, error) {
	c, err := b.Case(p.Case)
	if err != nil || c == nil {
		return nil, err
	}
	bag, err := b.Bag(p.Bag)
	if err != nil {
		return nil, err
	}
	out, err := b.checkShared(p)
	if err != nil {
		return nil, err
	}
	name := b.BagWords(p.Bag)
	out = append(out, b.ClockCautions()...)
	out = append(out, b.checkPatient(p, c, bag, name)...)
	more, err := b.checkAgainst(p, c, bag, name, at)
	if err != nil {
		return nil, err
	}
	out = append(out, more...)
	out = append(out, b.checkRunning(p, c, name)...)
	more, err = b.checkSet(p, c, bag, name)
	return append(out, more...), err
}

// checkPatient asks whether the bag was checked for this patient and is thawed. Of a
// bag that twins share the other one's check counts.
func (b view) checkPatient(p *pb.TransfusionStarted, c *ledger.Case, bag *ledger.Bag, name string) (out []caution.Raised) {
	if bag != nil && p.SharedWithTwin && len(bag.Uses) > 0 {
		return nil
	}
	check := hangCheckOf(c, p.Bag)
	switch open := openPoints(check); {
	case check == nil:
		out = append(out, startNotChecked.With(name))
	case len(open) > 0:
		out = append(out, startCheckOpen.With(name, strings.Join(open, ", ")))
	}
	if (check == nil || !check.FullyThawed) && !thawed(bag) {
		out = append(out, startNotThawed.With(name))
	}
	return out
}

// hangCheckOf is the last check of a bag before the set goes in; nil: none.
func hangCheckOf(c *ledger.Case, bag string) (found *ledger.HangCheck) {
	for i := range c.HangChecks {
		if c.HangChecks[i].Bag == bag {
			found = &c.HangChecks[i]
		}
	}
	return found
}

// openPoints are the points of a check that bind bag and patient and have no tick.
// Thawed has a question of its own; kit may be in order with a word beside it.
func openPoints(k *ledger.HangCheck) (out []string) {
	if k == nil {
		return nil
	}
	for _, point := range []struct {
		ticked bool
		words  string
	}{
		{k.PatientConfirmed, "patient confirmed"}, {k.SameBag, "same bag"}, {k.ClearNoClots, "straw-coloured, no clots, not red, no gas"},
		{k.WholeWhenSqueezed, "no leak when squeezed"},
	} {
		if !point.ticked {
			out = append(out, point.words)
		}
	}
	return out
}

func thawed(bag *ledger.Bag) bool {
	if bag == nil || len(bag.Thaws) == 0 {
		return false
	}
	return bag.Thaws[len(bag.Thaws)-1].Complete != nil
}

// checkAgainst tells what speaks against the bag itself, and what its label says.
func (b view) checkAgainst(p *pb.TransfusionStarted, c *ledger.Case, bag *ledger.Bag, name string, at time.Time) ([]caution.Raised, error) {
	out, err := b.checkLabel(p.Bag, bag, c, at)
	if err != nil {
		return nil, err
	}
	food, err := b.checkFood(bag, c)
	if err != nil {
		return nil, err
	}
	out = append(out, food...)
	against, err := b.Against(bag, c, at)
	if err != nil {
		return nil, err
	}
	if against.Unfit != "" {
		out = append(out, startNotFit.With(name, against.Unfit))
	}
	if against.Gone != "" {
		out = append(out, startGone.With(name, against.Gone))
	}
	if against.Elsewhere != "" && !p.SharedWithTwin {
		out = append(out, startElsewhere.With(name, against.Elsewhere))
	}
	return out, nil
}

// checkRunning looks for a bag that runs in the case.
func (b view) checkRunning(p *pb.TransfusionStarted, c *ledger.Case, name string) (out []caution.Raised) {
	for i := range c.Transfusions {
		switch t := &c.Transfusions[i]; {
		case !t.Running:
		case t.Bag == p.Bag:
			since := time.UnixMilli(t.FirstMs()).In(b.Zone()).Format("15:04")
			out = append(out, startRunsAlready.With(name, since))
		default:
			out = append(out, startOtherRuns.With(b.BagWords(t.Bag)))
		}
	}
	return out
}

// checkSet looks at the set and at what else hangs with the bag.
func (b view) checkSet(p *pb.TransfusionStarted, c *ledger.Case, bag *ledger.Bag, name string) (out []caution.Raised, err error) {
	switch last := lastSet(bag); {
	case last == "":
		out = append(out, startWithoutSet.With(name))
	case last != c.Entity.ID && !p.SharedWithTwin:
		out = append(out, startSetElsewhere.With(name, b.PatientLine(last)))
	}
	if !c.HasBaseline() {
		out = append(out, noBaseline.With())
	}
	if p.Place == "" {
		return out, nil
	}
	n, err := b.KitCount(p.Place, pb.KitItem_KIT_ITEM_FILTERED_SET)
	if err == nil && n <= 0 {
		out = append(out, noFilteredSet.With(b.Name(event.KindPlace, p.Place)))
	}
	return out, err
}

// lastSet is the case for which a set was last attached to the bag.
func lastSet(bag *ledger.Bag) string {
	if bag == nil || len(bag.Sets) == 0 {
		return ""
	}
	return bag.Sets[len(bag.Sets)-1].Case
}

// checkFinish asks when nobody has started the bag in the case. Stopping never asks.
func (b view) checkFinish(p *pb.TransfusionEnded) ([]caution.Raised, error) {
	c, err := b.Case(p.Case)
	if err != nil || c == nil {
		return nil, err
	}
	if t := c.Transfused(p.Bag); t == nil || len(t.Starts) == 0 {
		return []caution.Raised{finishNotStarted.With(b.BagWords(p.Bag))}, nil
	}
	return nil, nil
}
