package query

import (
	"slices"

	"thawtrail/internal/engine"
	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store"
	pb "thawtrail/proto/thawtrail/v1"
)

// A practice that measures learns: its own rechecks and thaws may move the middle of two
// estimates of the engine, each inside its published range. That touches what is given to
// foals, so that it counts only once an owner and a vet have turned it on.

// ownCases is how many of the newest cases tell: old habits and bags that are no longer
// bought should not weigh for ever, and a page must not read a lifetime of records.
const ownCases = 300

// OwnEstimate says that a setting is one that asks for an owner and a vet.
func OwnEstimate(name string) bool { return name == SettingOwnShare || name == SettingOwnThaws }

// ownOn says that an owner and a vet turned an estimate on, and nobody turned it off again.
func (b *ReadView) ownOn(name string) (bool, error) {
	on, err := b.Setting(name)
	if err != nil || on == 0 {
		return false, err
	}
	waits, err := b.OwnWaits(name)
	return waits == pb.Role_ROLE_UNSPECIFIED, err
}

// OwnWaits is whose word is still wanted before an estimate that somebody turned on
// counts: none, an owner's or a vet's. Who has both roles counts for both.
func (b *ReadView) OwnWaits(name string) (pb.Role, error) {
	set, err := Get[*ledger.Setting](b, event.KindSetting, name)
	if err != nil || set == nil {
		return pb.Role_ROLE_OWNER, err
	}
	said := func(role pb.Role) bool {
		return slices.ContainsFunc(set.Said, func(person string) bool { return b.HasRole(person, role) })
	}
	for _, role := range []pb.Role{pb.Role_ROLE_OWNER, pb.Role_ROLE_VET} {
		if !said(role) {
			return role, nil
		}
	}
	return pb.Role_ROLE_UNSPECIFIED, nil
}

// OwnShare is what the practice's own rechecks say of the share of IgG found; nil while
// they do not count, or there are none.
func (b *ReadView) OwnShare() (*engine.OwnShare, error) {
	if on, err := b.ownOn(SettingOwnShare); err != nil || !on {
		return nil, err
	}
	sum := responses{groups: b.groupedBy("")}
	var shares []float64
	err := b.newestTreated(func(c *ledger.CaseLine, ts []treatment) error {
		if !c.Foal() {
			return nil
		}
		found, err := sum.found(c, ts, c.NumberBefore(ts[0].FirstMs), c.NumberAfter(ts[0].FirstMs))
		if err == nil && found != nil {
			shares = append(shares, found.ShareFound)
		}
		return err
	})
	if err != nil || len(shares) == 0 {
		return nil, err
	}
	m, err := engine.MiddleOf(shares)
	return &engine.OwnShare{N: len(shares), Median: m.Quartiles.Mid}, err
}

// OwnThaws are the practice's own thaws of bags in a held bath; none while they do not
// count. What was not measured, or cannot be, tells nothing.
func (b *ReadView) OwnThaws() (out []engine.ThawRecord, err error) {
	if on, err := b.ownOn(SettingOwnThaws); err != nil || !on {
		return nil, err
	}
	err = b.newestTreated(func(_ *ledger.CaseLine, ts []treatment) error {
		for _, t := range ts {
			bag, err := b.Bag(t.Bag)
			if err != nil {
				return err
			}
			if bag != nil {
				out = append(out, thawsOf(bag)...)
			}
		}
		return nil
	})
	return out, err
}

// thawsOf are the thaws of a bag that were timed, beside what was reckoned of them.
func thawsOf(bag *ledger.Bag) (out []engine.ThawRecord) {
	for _, t := range bag.Thaws {
		if t.Complete == nil || t.BathDc == nil || bag.Label == nil {
			continue
		}
		held := float64(*t.BathDc) / 10
		r, err := engine.Thaw(engine.ThawInput{HeldAtC: &held, BagMl: new(float64(bag.Label.VolumeMl))})
		if err != nil || r.ThawMinutes == nil {
			continue
		}
		one := engine.ThawRecord{PredictedMinutes: r.ThawMinutes.Mid, ActualMinutes: float64(t.Complete.AtMs-t.Stamp.AtMs) / 60000}
		if _, err := engine.LearnThaw([]engine.ThawRecord{one}); err == nil {
			out = append(out, one)
		}
	}
	return out
}

// newestTreated hands on the newest cases in which plasma ran, each with all of it.
func (b *ReadView) newestTreated(fn func(*ledger.CaseLine, []treatment) error) error {
	for _, term := range []string{ledger.TermOpenCase, ledger.TermClosedCase} {
		n := 0
		err := b.Snapshot.Newest(term, "", func(f store.Found) (bool, error) {
			c, ts, err := b.treatedIn(f.Key)
			if err == nil && len(ts) > 0 {
				n++
				err = fn(c, ts)
			}
			return n < ownCases, err
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// treatedIn is the line of a case, and the transfusions in it.
func (b *ReadView) treatedIn(key event.Key) (c *ledger.CaseLine, ts []treatment, err error) {
	raw, err := b.Line(key)
	if err != nil || len(raw) == 0 {
		return nil, nil, err
	}
	c = &ledger.CaseLine{}
	if err := c.Read(raw); err != nil {
		return nil, nil, err
	}
	for i := range c.Ran {
		t := treatment{LineRun: &c.Ran[i], c: c}
		bag, known, err := b.bagLine(t.Bag)
		if err != nil {
			return nil, nil, err
		}
		if known {
			t.bag = bag.Label
		}
		ts = append(ts, t)
	}
	return c, ts, nil
}
