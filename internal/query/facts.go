package query

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"thawtrail/internal/ledger"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// SrcHepatitisWatch is why a patient is watched for so long.
const SrcHepatitisWatch = "serum hepatitis 4 to 13 weeks after a biologic, and equine parvovirus hepatitis 7 to 11 weeks after antitoxin: Equine Vet J, PMC7483838"

// Facts are papers and numbers beside the treatment, a line each, only what is known.
func (b *ReadView) Facts(c *ledger.Case) (out []string, err error) {
	out = append(out, bloodLines(c)...)
	for i := range c.Crossmatches {
		out = append(out, b.crossmatchLine(&c.Crossmatches[i]))
	}
	for i := range c.Journeys {
		out = append(out, b.journeyLine(&c.Journeys[i]))
	}
	if line := foodLine(c); line != "" {
		out = append(out, line)
	}
	withdrawal, err := b.WithdrawalLines(c)
	if err != nil {
		return nil, err
	}
	out = append(out, withdrawal...)
	until, err := b.WatchUntil(c)
	if err != nil || until.IsZero() {
		return out, err
	}
	return append(out, "watch for hepatitis until "+until.Format("2 Jan 2006")), nil
}

// bloodLines are the last numbers of the blood.
func bloodLines(c *ledger.Case) (out []string) {
	var pcv, lactate, glucose, protein string
	for i := range c.Exams {
		e := &c.Exams[i]
		if e.PcvPm != nil {
			pcv = "PCV " + tenth(*e.PcvPm) + " %"
		}
		if e.ProteinDgPerL != nil {
			protein = "total protein " + tenth(*e.ProteinDgPerL) + " g/L"
		}
		if e.LactateUmolPer != nil {
			lactate = "lactate " + thousandth(*e.LactateUmolPer) + " mmol/L"
		}
		if e.GlucoseUmolPer != nil {
			glucose = "glucose " + thousandth(*e.GlucoseUmolPer) + " mmol/L"
		}
	}
	for _, text := range []string{pcv, protein, lactate, glucose} {
		if text != "" {
			out = append(out, text)
		}
	}
	return out
}

func tenth(v int32) string      { return strconv.FormatFloat(float64(v)/10, 'f', -1, 64) }
func hundredth(v int32) string  { return strconv.FormatFloat(float64(v)/100, 'f', -1, 64) }
func thousandth(v int32) string { return strconv.FormatFloat(float64(v)/1000, 'f', -1, 64) }

func (b *ReadView) crossmatchLine(x *ledger.Crossmatch) string {
	text := "crossmatch with " + b.BagWords(x.Bag) + ": minor " + wording.Enum(x.Minor)
	if x.Major != pb.MatchResult_MATCH_RESULT_UNSPECIFIED {
		text += ", major " + wording.Enum(x.Major)
	}
	if x.PatientType != "" {
		text += "; patient's red-cell type " + x.PatientType
	}
	return text + dayWords(", by ", x.Laboratory)
}

func (b *ReadView) journeyLine(j *ledger.Journey) string {
	bags := make([]string, 0, len(j.Bags))
	for _, id := range j.Bags[:min(len(j.Bags), maxNamed)] {
		bags = append(bags, bagText(id))
	}
	text := fmt.Sprintf("in a cool box: bag %s, %d min, %s, came out %s",
		strings.Join(bags, ", "), j.Minutes, wording.Enum(j.Coolant), wording.Enum(j.Feel))
	if j.BoxDc != nil {
		return text + ", warmest " + b.celsiusOf(j.BoxDc)
	}
	return text + ", temperature not known"
}

func foodLine(c *ledger.Case) string {
	n := len(c.FoodChain)
	if n == 0 {
		return ""
	}
	f := &c.FoodChain[n-1]
	return "food chain: " + wording.Enum(f.Status) + dayWords(", passport ", f.Passport)
}

// OutOfFoodChain says that the horse may never be eaten, by its passport.
func OutOfFoodChain(c *ledger.Case) bool {
	n := len(c.FoodChain)
	return n > 0 && c.FoodChain[n-1].Status == pb.FoodChain_FOOD_CHAIN_OUT
}

// WithdrawalLines tells, for each product that was given, how long its label keeps the
// horse out of the food chain; also when that is no time at all.
func (b *ReadView) WithdrawalLines(c *ledger.Case) (out []string, err error) {
	told := map[string]int64{}
	var order []string
	for i := range c.Transfusions {
		t := &c.Transfusions[i]
		bag, err := b.Bag(t.Bag)
		if err != nil {
			return nil, err
		}
		if bag == nil || bag.Label == nil {
			continue
		}
		if _, known := told[bag.Label.Product]; !known {
			order = append(order, bag.Label.Product)
		}
		told[bag.Label.Product] = max(told[bag.Label.Product], t.FirstMs(), t.LastMs())
	}
	for _, product := range order {
		card, err := b.Card(product)
		if err != nil {
			return nil, err
		}
		if card != nil && card.WithdrawalDays != nil {
			end := time.UnixMilli(told[product]).In(b.zone).AddDate(0, 0, int(*card.WithdrawalDays))
			out = append(out, fmt.Sprintf("Withdrawal of %s by its label: %s, until %s",
				card.Name, wording.Plural(int(*card.WithdrawalDays), "day"), end.Format("2 Jan 2006")))
		}
	}
	return out, nil
}

// WatchUntil is the last day on which the patient is watched for hepatitis; the zero
// time when no plasma was given.
func (b *ReadView) WatchUntil(c *ledger.Case) (time.Time, error) {
	last := c.LastEndMs()
	if last == 0 {
		return time.Time{}, nil
	}
	weeks, err := b.Setting(SettingWatchWeeks)
	return time.UnixMilli(last).In(b.zone).AddDate(0, 0, 7*weeks), err
}
