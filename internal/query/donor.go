package query

import (
	"strings"
	"time"

	"thawtrail/internal/event"
	"thawtrail/internal/label"
	"thawtrail/internal/ledger"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// Donor is who gave plasma that the practice made; nil when it is not known here.
func (b *ReadView) Donor(id string) (*ledger.Donor, error) {
	if id == "" {
		return nil, nil
	}
	donor, known := b.donors[id]
	if known {
		return donor, nil
	}
	donor, err := Get[*ledger.Donor](b, event.KindDonor, id)
	if err == nil {
		b.donors[id] = donor
	}
	return donor, err
}

// PositiveScreen tells which of a donor's screens is positive; empty: none. Plasma of
// such a donor is unfit, wherever a bag is judged.
func PositiveScreen(d *ledger.Donor) string {
	if d == nil {
		return ""
	}
	for _, s := range screensOf(d) {
		if s.Result == pb.ScreenResult_SCREEN_RESULT_POSITIVE {
			return "donor " + d.Name + ": " + s.Name + " positive" + dayWords(" on ", s.Day)
		}
	}
	return ""
}

// Screen is one of a donor's screens.
type Screen struct {
	Name   string
	Result pb.ScreenResult
	Day    string // of the sample
	Words  string // the laboratory's
}

func screensOf(d *ledger.Donor) []Screen {
	return []Screen{
		{"red-cell antibody screen", d.AntibodyResult, d.AntibodyOn, d.AntibodyScreen},
		{"infection tests", d.InfectionResult, d.InfectionOn, d.InfectionTests},
	}
}

func dayWords(before, day string) string {
	if day == "" {
		return ""
	}
	return before + day
}

// UnclearScreens tells what of a donor's screens says nothing: not recorded, pending,
// told in words alone, without a day, or too old for the day of collection.
func (b *ReadView) UnclearScreens(d *ledger.Donor) (out []string, err error) {
	most, err := b.Setting(SettingScreenDays)
	for _, s := range screensOf(d) {
		switch {
		case s.Result == pb.ScreenResult_SCREEN_RESULT_PENDING:
			out = append(out, s.Name+" is pending")
		case s.Result == pb.ScreenResult_SCREEN_RESULT_UNSPECIFIED && s.Words != "":
			out = append(out, s.Name+" is told in words alone ("+s.Words+")")
		case s.Result == pb.ScreenResult_SCREEN_RESULT_UNSPECIFIED:
			out = append(out, s.Name+" is not on record")
		case s.Day == "":
			out = append(out, s.Name+" has no day")
		default:
			if days, known := b.daysBefore(s.Day, d.CollectedOn); known && days > most {
				out = append(out, s.Name+" of "+s.Day+" is "+wording.Plural(days, "day")+" older than the plasma, over "+wording.Plural(most, "day"))
			}
		}
	}
	return out, err
}

// daysBefore is how long a sample was taken before the collection, or before today
// where no collection is told.
func (b *ReadView) daysBefore(day, collected string) (int, bool) {
	from, err := label.ParseDay("day", day)
	if err != nil {
		return 0, false
	}
	to := label.DayOf(b.now.In(b.zone))
	if at, err := label.ParseDay("day", collected); err == nil {
		to = at
	}
	return int(to.LastInstant(time.UTC).Sub(from.LastInstant(time.UTC)).Hours()) / 24, true
}

// donorLines tells all that is known of a donor.
func (b *ReadView) donorLines(d *ledger.Donor) (out []Line) {
	if d == nil {
		return nil
	}
	add := func(name, value string) {
		if value != "" {
			out = append(out, lineOf(name, value))
		}
	}
	add("donor", d.Name)
	add("microchip", d.Chip)
	add("red-cell type", d.BloodType)
	for _, s := range screensOf(d) {
		result := ""
		if s.Result != pb.ScreenResult_SCREEN_RESULT_UNSPECIFIED {
			result = wording.Enum(s.Result) + dayWords(", sample of ", s.Day)
		}
		add(s.Name, strings.TrimPrefix(result+dayWords("; ", s.Words), "; "))
	}
	add("collected on", d.CollectedOn)
	add("anticoagulant", d.Anticoagulant)
	if d.IggCgPerL != nil {
		add("measured IgG", b.Igg(*d.IggCgPerL))
	}
	return out
}

// DonorIgg is the IgG of a bag's plasma: the batch's own, else the donor's as measured,
// else the label's least; from says which. Zero: not known.
func (b *ReadView) DonorIgg(of *ledger.BagLabel) (cg int32, from IggFrom, err error) {
	if of.IggCgPerL != nil {
		return *of.IggCgPerL, IggOfBatch, nil
	}
	donor, err := b.Donor(of.Donor)
	if err != nil {
		return 0, IggUnknown, err
	}
	if donor != nil && donor.IggCgPerL != nil {
		return *donor.IggCgPerL, IggOfDonor, nil
	}
	card, err := b.Card(of.Product)
	if card != nil && card.LeastIggCgPerL != nil {
		return *card.LeastIggCgPerL, IggLeast, err
	}
	return 0, IggUnknown, err
}

// IggFrom says where the IgG of a bag comes from.
type IggFrom uint8

// The sources of a bag's IgG.
const (
	IggUnknown IggFrom = iota
	IggOfBatch
	IggOfDonor
	IggLeast
)
