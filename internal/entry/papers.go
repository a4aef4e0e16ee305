package entry

import (
	"time"

	"thawtrail/internal/caution"
	"thawtrail/internal/engine"
	"thawtrail/internal/ledger"
	"thawtrail/internal/query"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

var (
	withdrawalAsked = caution.Define("withdrawal_and_food_chain", caution.Note,
		"The label of %s asks for %d d of withdrawal, and nobody has told that this horse is out of the food chain. Look into its passport, and note it with 'food'.")
	majorOnly = caution.Define("crossmatch_incompatible", caution.Caution,
		"Incompatible. A minor one stands against giving this bag to this patient; a major one counts for red cells.")
	currencyChanged = caution.Define("currency_changed", caution.Note,
		"Amounts that were written before stay as they are: they were in %s.")
	zoneChanged = caution.Define("zone_changed", caution.Note,
		"From now on all times are shown in %s. What was written keeps its moment.")
)

// checkFood tells of a withdrawal period before plasma of a product runs into a horse
// that may be eaten.
func (b view) checkFood(bag *ledger.Bag, c *ledger.Case) ([]caution.Raised, error) {
	if bag == nil || bag.Label == nil || query.OutOfFoodChain(c) {
		return nil, nil
	}
	card, err := b.Card(bag.Label.Product)
	if err != nil || card == nil || card.WithdrawalDays == nil || *card.WithdrawalDays == 0 {
		return nil, err
	}
	return []caution.Raised{withdrawalAsked.With(card.Name, *card.WithdrawalDays)}, nil
}

func checkCrossmatch(p *pb.CrossmatchNoted) []caution.Raised {
	if p.Minor == pb.MatchResult_MATCH_RESULT_INCOMPATIBLE || p.Major == pb.MatchResult_MATCH_RESULT_INCOMPATIBLE {
		return []caution.Raised{majorOnly.With()}
	}
	return nil
}

// checkChange wants a change, and tells what it does not change.
func (b view) checkChange(p *pb.PracticeChanged) (out []caution.Raised, err error) {
	old := b.Practice()
	if old == nil {
		return nil, refusal.Conflict("name", p.Name, "a practice that was founded; begin one with 'practice found'")
	}
	if p.Name == "" && p.Zone == "" && p.Currency == "" && p.IggUnit == pb.IggUnit_IGG_UNIT_UNSPECIFIED {
		return nil, refusal.New("name", "", "what changes: a name, a zone, a currency or the unit of IgG")
	}
	if p.Currency != "" && p.Currency != old.Currency {
		out = append(out, currencyChanged.With(old.Currency))
	}
	if p.Zone != "" && p.Zone != old.Zone {
		out = append(out, zoneChanged.With(p.Zone))
	}
	return out, nil
}

// outsidePublished notes what of an examination lies outside the ranges published for a
// foal's age.
func (b view) outsidePublished(p *pb.PatientExamined, at time.Time) ([]caution.Raised, error) {
	c, err := b.Case(p.Case)
	if err != nil || c == nil || !c.Foal() || c.Patient.BornMs == 0 {
		return nil, err
	}
	look := query.LookOf(at.UnixMilli(), p.TemperatureDc, p.HeartRate, p.BreathingRate, false)
	return engine.OutsidePublished(look, (at.UnixMilli()-c.Patient.BornMs)/60_000), nil
}
