package caseview

import (
	"strings"

	"thawtrail/internal/label"
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

// A line of the card that is a dose has five parts with | between them:
//
//	adrenaline | 0.01 mg/kg | 1 mg/mL | vein, slowly | repeat once if needed
//
// Dose and strength both have to be there, each with its unit: a volume without
// a strength is what tenfold slips are made of. Any other line is words.
const cardParts = 5

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
	parts := strings.Split(line, "|")
	if len(parts) < 3 || len(parts) > cardParts {
		return cardLine{Words: line}
	}
	for len(parts) < cardParts {
		parts = append(parts, "")
	}
	for i := range parts {
		parts[i] = strings.TrimSpace(parts[i])
	}
	doseNg, ok1 := quantity(parts[1], "mg/kg")
	strength, ok2 := quantity(parts[2], "mg/mL")
	if !ok1 || !ok2 || strength == 0 || parts[0] == "" {
		return cardLine{Words: line}
	}
	out := cardLine{Drug: parts[0], Strength: parts[2], Route: parts[3], Note: parts[4]}
	if weightG == 0 {
		return out
	}
	out.DoseUg, out.StrengthUg = doseNg*weightG/1_000_000, strength/1000
	out.DoseMg = words.Num(float64(out.DoseUg)/1000) + " mg"
	out.VolumeMl = words.Num(float64(out.DoseUg)*1000/float64(strength)) + " mL"
	out.Sum = words.Say("card.sum", parts[1], words.Num(float64(weightG)/1000), out.DoseMg, parts[2], out.VolumeMl)
	return out
}

// quantity reads a number with its unit, in millionths of it.
func quantity(text, unit string) (int64, bool) {
	number, found := strings.CutSuffix(text, unit)
	if !found {
		return 0, false
	}
	n, err := label.ParseScaled("card", strings.TrimSpace(number), 1_000_000)
	return n, err == nil && n > 0
}
