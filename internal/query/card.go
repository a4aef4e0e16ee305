package query

import (
	"strings"

	"thawtrail/internal/label"
)

// CardDose is one line of the practice's reaction card that is a dose.
type CardDose struct {
	Drug, Route, Note string
	Dose, Strength    string // as written: 0.01 mg/kg, 1 mg/mL
	NgPerKg           int64  // 0.001 ug/kg
	NgPerMl           int64  // 0.001 ug/mL
}

// A line of the card that is a dose has five parts with | between them:
//
//	adrenaline | 0.01 mg/kg | 1 mg/mL | vein, slowly | repeat once if needed
//
// Dose and strength both have to be there, each with its unit: a volume without
// a strength is what tenfold slips are made of. Any other line is words.
const cardParts = 5

// ReadCardLine reads a line of the card; ok is false for one that is words.
func ReadCardLine(line string) (d CardDose, ok bool) {
	parts := strings.Split(line, "|")
	if len(parts) < 3 || len(parts) > cardParts {
		return d, false
	}
	for len(parts) < cardParts {
		parts = append(parts, "")
	}
	for i := range parts {
		parts[i] = strings.TrimSpace(parts[i])
	}
	d = CardDose{Drug: parts[0], Dose: parts[1], Strength: parts[2], Route: parts[3], Note: parts[4]}
	var ok1, ok2 bool
	d.NgPerKg, ok1 = quantity(d.Dose, "mg/kg")
	d.NgPerMl, ok2 = quantity(d.Strength, "mg/mL")
	return d, ok1 && ok2 && d.NgPerMl > 0 && d.Drug != ""
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

// CardDoses are the doses of a card.
func CardDoses(card string) (out []CardDose) {
	for _, line := range strings.Split(card, "\n") {
		if d, ok := ReadCardLine(strings.TrimSpace(line)); ok {
			out = append(out, d)
		}
	}
	return out
}
