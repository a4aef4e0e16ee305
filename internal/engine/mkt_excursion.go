package engine

import "thawtrail/internal/refusal"

// Excursion is one time in which stored plasma was warmer than -20 C.
type Excursion struct {
	Hours       float64
	PeakC       float64 // the warmest reading
	StayedSolid bool
}

// ExcursionClass is what the rule for human source plasma would call the plasma.
type ExcursionClass string

// The classes.
const (
	ExcursionNone     ExcursionClass = "none"     // never warmer than -20 C
	ExcursionExempt   ExcursionClass = "exempt"   // one short episode, frozen solid
	ExcursionSalvaged ExcursionClass = "salvaged" // to be relabelled, for further manufacturing only
	ExcursionBeyond   ExcursionClass = "beyond"   // +10 C or warmer: the rule does not speak of it
)

// ExcursionNotice stands beside every class that is shown.
const ExcursionNotice = "21 CFR 640.76 is for human source plasma and is shown as information only: bags from a warm freezer stay quarantined until a person decides."

const (
	excursionColdC, excursionSolidC, excursionWarmC = -20.0, -5.0, 10.0
	excursionMostHours                              = 72.0
	maxExcursions                                   = 1000
)

// SourcePlasmaClass applies 21 CFR 640.76: warmer than -20 C and colder than
// +10 C is salvaged, except one episode colder than -5 C of at most 72 hours in
// which the plasma stayed frozen solid.
func SourcePlasmaClass(episodes []Excursion) (ExcursionClass, error) {
	if len(episodes) > maxExcursions {
		return "", refusal.New("warm", len(episodes), "at most 1000 warm times")
	}
	hours := bounds{field: "warm", unit: "h", hardHigh: 24 * 365 * 20, hint: "hours, not minutes"}
	class, warm := ExcursionNone, 0
	for _, e := range episodes {
		if _, err := hours.check(e.Hours); err != nil {
			return "", err
		}
		if _, err := named(boundsReading, "warm").check(e.PeakC); err != nil {
			return "", err
		}
		switch {
		case e.PeakC <= excursionColdC:
			continue
		case e.PeakC >= excursionWarmC:
			return ExcursionBeyond, nil
		case e.PeakC < excursionSolidC && e.Hours <= excursionMostHours && e.StayedSolid:
			class = ExcursionExempt
		default:
			class = ExcursionSalvaged
		}
		warm++
	}
	if warm > 1 {
		class = ExcursionSalvaged
	}
	return class, nil
}
