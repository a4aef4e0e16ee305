package label

import (
	"strings"

	"thawtrail/internal/refusal"
)

// Blood glucose is typed in mmol/L or in mg/dL, and 54 of the one is never 54 of the
// other: the unit is part of the value.
const (
	glucoseWant         = "a number with its unit, such as 3.0 mmol/L or 54 mg/dL"
	mostGlucoseUmolPerL = 35_000
	mostGlucoseMgPerDL  = 630
	leastGlucoseMgPerDL = 15
	milligramsPerMol    = 180_156
)

// ParseGlucose reads blood glucose with its unit and returns it in umol/L. It
// refuses a number without a unit, and one that fits the other unit better.
func ParseGlucose(field, text string) (int64, error) {
	refuse := func(hint string) (int64, error) { return 0, refusal.New(field, text, glucoseWant).Because(hint) }
	if len(text) > maxTyped {
		return refuse("")
	}
	plain := strings.ToLower(strings.Join(strings.Fields(text), ""))
	if number, found := strings.CutSuffix(plain, "mmol/l"); found {
		umol, err := ParseScaled(field, number, 1000)
		switch {
		case err != nil:
			return 0, err
		case umol < 0 || umol > mostGlucoseUmolPerL:
			return refuse("mg/dL? 54 mg/dL is 3 mmol/L")
		}
		return umol, nil
	}
	number, found := strings.CutSuffix(plain, "mg/dl")
	if !found {
		return refuse("54 mg/dL is 3 mmol/L: say which")
	}
	micrograms, err := ParseScaled(field, number, 1000) // for each dL
	if err != nil {
		return 0, err
	}
	if micrograms > 0 && micrograms < leastGlucoseMgPerDL*1000 {
		return refuse("mmol/L?")
	}
	if micrograms < 0 || micrograms > mostGlucoseMgPerDL*1000 {
		return refuse("")
	}
	return (micrograms*10_000 + milligramsPerMol/2) / milligramsPerMol, nil
}
