package query

import (
	"slices"

	"thawtrail/internal/ledger"
)

// PlanOf is the last accepted plan of a kind; nil: none.
func PlanOf(c *ledger.Case, kind string) *ledger.Plan {
	for i := range slices.Backward(c.Plans) {
		if c.Plans[i].Plan == kind {
			return &c.Plans[i]
		}
	}
	return nil
}

// AcceptedMl is what of a bag is to be given by the dose that was accepted: all of it, or
// the part at which to stop. Of a bag outside the plan, all that the patient can have,
// which fullMl tells. Pages, commands and cautions work with this one number.
func AcceptedMl(c *ledger.Case, bag string, fullMl func(bag string) int32) int32 {
	full, plan := fullMl(bag), PlanOf(c, "dose")
	if plan == nil || !slices.Contains(plan.Bags, bag) {
		return full
	}
	rest := plan.VolumeMl
	for _, id := range plan.Bags {
		if id == bag {
			break
		}
		taken := fullMl(id)
		if t := c.Transfused(id); t != nil && !t.Running {
			taken = t.CountedMl()
		}
		rest -= taken
	}
	if rest <= 0 {
		return full
	}
	return min(rest, full)
}

// Accepted is AcceptedMl by what the books say of the bags; part says that less than the
// bag holds is meant.
func (b *ReadView) Accepted(c *ledger.Case, bag string) (ml int32, part bool, err error) {
	full := func(id string) int32 {
		known, readErr := b.Bag(id)
		if readErr != nil {
			err = readErr
		}
		if known == nil || known.Label == nil {
			return 0
		}
		left := known.Label.VolumeMl
		for _, g := range known.Given {
			if g.Case != c.Entity.ID {
				left -= g.Ml
			}
		}
		return max(0, left)
	}
	ml = AcceptedMl(c, bag, full)
	return ml, ml < full(bag), err
}

// StopAt is the mL at which the bag that runs is to be stopped; 0 where all of it is
// meant.
func (b *ReadView) StopAt(c *ledger.Case) (ml int32, err error) {
	for i := range c.Transfusions {
		if t := &c.Transfusions[i]; t.Running {
			accepted, part, err := b.Accepted(c, t.Bag)
			if err != nil || part {
				return accepted, err
			}
		}
	}
	return 0, nil
}
