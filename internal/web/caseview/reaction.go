package caseview

import (
	"strings"

	"thawtrail/internal/query"
	"thawtrail/internal/web/words"
)

// ReactionCard is the practice's own card, reckoned for one weight. It is the
// practice's, not ours: empty until a vet fills and signs it.
type ReactionCard struct {
	Lines     []cardLine
	CheckedBy string
	Weight    string
}

// cardLine is one line of the card: a drug with its dose, or words.
type cardLine struct {
	Words              string // of a line that is no dose
	Drug, Route, Note  string
	Strength           string // mg/mL
	DoseMg, VolumeMl   string // for this weight
	Sum                string // the arithmetic
	DoseUg, StrengthUg int64
}

// ReactionCard reckons the card of the protocol; nil when there is none.
func (cv *View) ReactionCard() *ReactionCard {
	if cv.Protocol == nil || strings.TrimSpace(cv.Protocol.ReactionCard) == "" {
		return nil
	}
	card := &ReactionCard{CheckedBy: cv.Protocol.CheckedBy, Weight: cv.Weight}
	for _, line := range strings.Split(cv.Protocol.ReactionCard, "\n") {
		if line = strings.TrimSpace(line); line != "" {
			card.Lines = append(card.Lines, cardLineOf(line, int64(cv.Kg*1000+0.5)))
		}
	}
	return card
}

// cardLineOf reads a line and reckons it exactly, in whole micrograms and grams.
func cardLineOf(line string, weightG int64) cardLine {
	d, ok := query.ReadCardLine(line)
	if !ok {
		return cardLine{Words: line}
	}
	out := cardLine{Drug: d.Drug, Strength: d.Strength, Route: d.Route, Note: d.Note}
	if weightG == 0 {
		return out
	}
	out.DoseUg, out.StrengthUg = d.NgPerKg*weightG/1_000_000, d.NgPerMl/1000
	out.DoseMg = words.Num(float64(out.DoseUg)/1000) + " mg"
	out.VolumeMl = words.Num(float64(out.DoseUg)*1000/float64(d.NgPerMl)) + " mL"
	out.Sum = words.Say("card.sum", d.Dose, words.Num(float64(weightG)/1000), out.DoseMg, d.Strength, out.VolumeMl)
	return out
}
