package entry

import (
	"strconv"
	"strings"
	"time"

	"thawtrail/internal/caution"
	"thawtrail/internal/engine"
	"thawtrail/internal/event"
	"thawtrail/internal/label"
	"thawtrail/internal/ledger"
	"thawtrail/internal/query"
	"thawtrail/internal/refusal"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

var (
	labelSpecies = caution.Define("label_other_species", caution.Caution,
		"The label of %s names %s, not a horse. Plasma of another species is not given.")
	labelAge = caution.Define("under_label_age", caution.Caution,
		"The label of %s begins at %d h of age; this patient is %d h old. Given now this is use outside the label.")
	labelVolume = caution.Define("volume_not_label", caution.Caution,
		"%d mL is not the %d mL that the label of %s says. Read the bag again.")
	bathOverLabel = caution.Define("bath_measured_over_label", caution.Caution,
		"A water bath of %s C is over the %s C of the label of %s.")
	overStorage = caution.Define("place_over_storage", caution.Caution,
		"%s C is warmer than the %s C that the label of %s allows, and %s lies there. If it lasted, enter 'place warm' with from and to: its bags are quarantined until a person decides.")
	overOwn = caution.Define("place_over_limit", caution.Caution,
		"%s C is warmer than the %s C that the practice allows in %s. If it lasted, enter 'place warm' with from and to: its bags are quarantined until a person decides.")
	carriedWarm = caution.Define("carried_over_storage", caution.Caution,
		"%s C in the box is warmer than the %s C that the label of %s allows. Hard all through? Feel it again; soft at the edges is soft.")
	carriedSoft = caution.Define("carried_soft", caution.Caution,
		"Came out soft: it counts as softened from now on and never becomes frozen again.")
	carriedUnread = caution.Define("carried_without_reading", caution.Note,
		"Nobody measured the box: its history is unknown.")
	arrivedSoft = caution.Define("arrived_not_frozen", caution.Caution,
		"They arrived %s: they are set aside until a person decides. Ask the maker; the label decides, and a bag that thawed is never frozen again.")
	arrivedOver = caution.Define("arrived_over_storage", caution.Caution,
		"%s C on arrival is warmer than the %s C that the label of %s allows: they are set aside until a person decides. Ask the maker; the label decides.")
	arrivedExpired = caution.Define("arrived_expired", caution.Caution,
		"Batch %s expired with %s, before it arrived. Read the label again; expired plasma is not given.")
	noteDiffers = caution.Define("delivery_differs", caution.Note,
		"The delivery note says %d, and %d came.")
	codeOfAnother = caution.Define("gtin_of_another", caution.Caution,
		"%s is told to stand for %s too: a scan will ask which of them it is. Void the one that is wrong.")
	donorUnclear = caution.Define("donor_screen_unclear", caution.Caution,
		"Of donor %s: %s.")
)

// checkLabel tells what a bag's label and donor say against giving it by vein, at an
// age. A nil case is a patient that is not known here.
func (b view) checkLabel(id string, bag *ledger.Bag, c *ledger.Case, at time.Time) (out []caution.Raised, err error) {
	if bag == nil || bag.Label == nil {
		return []caution.Raised{bagUnknown.With(label.BagNumber(id).String())}, nil
	}
	card, err := b.Card(bag.Label.Product)
	if err != nil {
		return nil, err
	}
	if card != nil {
		out = besideLabel(card, c, at)
	}
	out = append(out, b.tornCaution(bag)...)
	donor, err := b.Donor(bag.Label.Donor)
	if err != nil || donor == nil {
		return out, err
	}
	unclear, err := b.UnclearScreens(donor)
	if len(unclear) > 0 {
		out = append(out, donorUnclear.With(donor.Name, strings.Join(unclear, "; ")))
	}
	return out, err
}

// besideLabel compares route, species and least age with the patient.
func besideLabel(card *ledger.Card, c *ledger.Case, at time.Time) (out []caution.Raised) {
	if card.Route == pb.ProductRoute_PRODUCT_ROUTE_MOUTH {
		out = append(out, routeMouth.With(card.Name))
	}
	if !query.ForHorses(card.Species) {
		out = append(out, labelSpecies.With(card.Name, card.Species))
	}
	if card.LeastAgeH == nil || c == nil || c.Patient == nil || c.Patient.BornMs == 0 {
		return out
	}
	if h := (at.UnixMilli() - c.Patient.BornMs) / 3_600_000; 0 <= h && h < int64(*card.LeastAgeH) {
		out = append(out, labelAge.With(card.Name, *card.LeastAgeH, h))
	}
	return out
}

// checkReceived looks at a delivery: its batch, its volume beside the label's, and the
// day on which a donor's plasma was collected.
func (b view) checkReceived(p *pb.BagsReceived) ([]caution.Raised, error) {
	out, err := b.checkBatch(p.Product, p.Batch, true)
	if err != nil {
		return nil, err
	}
	donor, err := b.Donor(p.Donor)
	if err != nil {
		return nil, err
	}
	if donor != nil && donor.CollectedOn != "" {
		if err := afterCollection(p.Expiry, donor.CollectedOn); err != nil {
			return nil, err
		}
	}
	card, err := b.Card(p.Product)
	if card != nil && card.VolumeMl != nil && *card.VolumeMl != p.VolumeMl {
		out = append(out, labelVolume.With(p.VolumeMl, *card.VolumeMl, card.Name))
	}
	if err != nil {
		return nil, err
	}
	more, err := b.checkArrival(p)
	return append(out, more...), err
}

// arrivedWarm says that a delivery came warmer than its label allows to store it, and how
// warm that is.
func (b view) arrivedWarm(p *pb.BagsReceived) (warm bool, card *ledger.Card, err error) {
	if p.ArrivedDc == nil {
		return false, nil, nil
	}
	card, err = b.Card(p.Product)
	return card != nil && card.StorageMaxDc != nil && *p.ArrivedDc > *card.StorageMaxDc, card, err
}

// checkArrival looks at how a delivery came: soft, warm, late, or of another number than
// its note says.
func (b view) checkArrival(p *pb.BagsReceived) (out []caution.Raised, err error) {
	if p.Arrived == pb.Arrival_ARRIVAL_SOFT || p.Arrived == pb.Arrival_ARRIVAL_THAWED {
		out = append(out, arrivedSoft.With(wording.Enum(p.Arrived)))
	}
	warm, card, err := b.arrivedWarm(p)
	if err != nil {
		return nil, err
	}
	if warm {
		out = append(out, arrivedOver.With(celsius(*p.ArrivedDc), celsius(*card.StorageMaxDc), card.Name))
	}
	if day, err := label.ParseDay("expiry", p.Expiry); err == nil && !day.LastInstant(b.Zone()).After(b.Now()) {
		out = append(out, arrivedExpired.With(p.Batch, p.Expiry))
	}
	if p.NotedCount != nil && *p.NotedCount != p.Count {
		out = append(out, noteDiffers.With(*p.NotedCount, p.Count))
	}
	return out, nil
}

// checkCoded tells when a maker's number stands for another product too.
func (b view) checkCoded(p *pb.ProductCoded) (out []caution.Raised, err error) {
	known, err := b.ProductsOf(p.Gtin)
	for _, id := range known {
		if id != p.Product {
			out = append(out, codeOfAnother.With(p.Gtin, b.Name(event.KindProduct, id)))
		}
	}
	return out, err
}

func afterCollection(expiry, collected string) error {
	ends, err := label.ParseDay("expiry", expiry)
	if err != nil {
		return err
	}
	from, err := label.ParseDay("collected_on", collected)
	if err != nil {
		return err
	}
	if ends.LastInstant(time.UTC).Before(from.LastInstant(time.UTC)) {
		return refusal.Conflict("expiry", expiry, "a day after the donor's plasma was collected, "+collected)
	}
	return nil
}

// checkDonor wants a result beside each day, and no day that is still to come.
func (b view) checkDonor(p *pb.DonorRecorded) error {
	today := label.DayOf(b.Now().In(b.Zone())).LastInstant(time.UTC)
	for _, day := range []struct {
		field, value string
		result       pb.ScreenResult
	}{{"antibody", p.AntibodyOn, p.AntibodyResult}, {"infection", p.InfectionOn, p.InfectionResult}, {"collected", p.CollectedOn, pb.ScreenResult_SCREEN_RESULT_PENDING}} {
		if day.value == "" {
			continue
		}
		at, err := label.ParseDay(day.field+"_on", day.value)
		if err != nil {
			return err
		}
		if at.LastInstant(time.UTC).After(today.AddDate(0, 1, 0)) || len(day.value) == len(time.DateOnly) && at.LastInstant(time.UTC).After(today) {
			return refusal.New(day.field+"_on", day.value, "a day that has been")
		}
		if day.result == pb.ScreenResult_SCREEN_RESULT_UNSPECIFIED {
			return refusal.New(day.field+"_result", "", "negative, positive or pending, beside the day "+day.value)
		}
	}
	return nil
}

// checkReading tells when a place is warmer than the labels of its bags, or the practice
// itself, allow.
func (b view) checkReading(p *pb.TemperatureRead) ([]caution.Raised, error) {
	warmest := p.NowDc
	if p.MostDc != nil {
		warmest = max(warmest, *p.MostDc)
	}
	out, err := b.overStorageAt(p.Place, warmest)
	if err != nil {
		return nil, err
	}
	place, err := query.Get[*ledger.Place](b.ReadView, event.KindPlace, p.Place)
	if err == nil && place != nil && place.WarmestDc != nil && warmest > *place.WarmestDc {
		out = append(out, overOwn.With(celsius(warmest), celsius(*place.WarmestDc), place.Name))
	}
	return out, err
}

// overStorageAt compares a temperature of a place with the label of each product that
// lies there.
func (b view) overStorageAt(place string, warmestDc int32) (out []caution.Raised, err error) {
	told := map[string]bool{}
	err = b.Bags(ledger.TermPlace(place), func(bag *ledger.BagLine) error {
		if bag.Label == nil || bag.Clocks != nil || told[bag.Label.Product] || len(out) == 3 {
			return nil // a thawed bag lies in no freezer; three are enough to be seen
		}
		told[bag.Label.Product] = true
		card, err := b.Card(bag.Label.Product)
		if err == nil && card != nil && card.StorageMaxDc != nil && warmestDc > *card.StorageMaxDc {
			out = append(out, overStorage.With(celsius(warmestDc), celsius(*card.StorageMaxDc), card.Name, b.BagWords(bag.ID)))
		}
		return err
	})
	return out, err
}

// checkCarried looks at how bags came out of a cool box.
func (b view) checkCarried(p *pb.BagsCarried) (out []caution.Raised, err error) {
	if p.Feel == pb.BagFeel_BAG_FEEL_SOFT {
		out = append(out, carriedSoft.With())
	}
	if p.BoxDc == nil {
		return append(out, carriedUnread.With()), nil
	}
	for _, id := range p.Bags {
		bag, err := b.Bag(id)
		if err != nil {
			return nil, err
		}
		if bag == nil || bag.Label == nil || p.Feel != pb.BagFeel_BAG_FEEL_HARD {
			continue
		}
		card, err := b.Card(bag.Label.Product)
		if err != nil {
			return nil, err
		}
		if card != nil && card.StorageMaxDc != nil && *p.BoxDc > *card.StorageMaxDc {
			return append(out, carriedWarm.With(celsius(*p.BoxDc), celsius(*card.StorageMaxDc), card.Name)), nil
		}
	}
	return out, nil
}

// celsius prints 0.1 C as a decimal.
func celsius(dc int32) string { return strconv.FormatFloat(float64(dc)/10, 'f', -1, 64) }

// checkBath compares a bath in which a bag lies with its label.
func (b view) checkBath(id string, bathDc int32) (out []caution.Raised, err error) {
	if bathDc > 450 {
		out = append(out, bathHot.With(celsius(bathDc)))
	} else {
		out = append(out, warmBath(bathDc)...)
	}
	card, err := b.cardOf(id)
	if card != nil && card.ThawMaxDc != nil && bathDc > *card.ThawMaxDc {
		out = append(out, bathOverLabel.With(celsius(bathDc), celsius(*card.ThawMaxDc), card.Name))
	}
	return out, err
}

// cardOf is the label card of a bag; nil when it is not known here.
func (b view) cardOf(id string) (*ledger.Card, error) {
	bag, err := b.Bag(id)
	if err != nil || bag == nil || bag.Label == nil {
		return nil, err
	}
	return b.Card(bag.Label.Product)
}

// stopsOverLabel stops a bag that is about to go into a bath warmer than its label
// allows.
func (b view) stopsOverLabel(id string, bathDc int32) ([]caution.Raised, error) {
	card, err := b.cardOf(id)
	if err != nil || card == nil || card.ThawMaxDc == nil {
		return nil, err
	}
	return engine.BathOverLabel(bathDc, *card.ThawMaxDc), nil
}

// fillDonor makes a donor of a known name the same donor.
func (b view) fillDonor(p *pb.DonorRecorded, made []string) ([]string, error) {
	id, ok, err := b.ByName("name", event.KindDonor, p.Name)
	if _, several := refusal.As(err); err != nil && !several {
		return nil, err
	}
	if !ok {
		return made, nil
	}
	known, err := b.Donor(id)
	if known != nil && strings.EqualFold(known.Name, p.Name) && (p.Chip == "" || known.Chip == "" || p.Chip == known.Chip) {
		p.Donor, made = id, nil
	}
	return made, err
}
