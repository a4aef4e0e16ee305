package engine

import (
	"strconv"

	"thawtrail/internal/caution"
)

// NotedRate is a rate that was noted, in the whole units of the records.
type NotedRate struct {
	MlPerH  int32
	WeightG int32 // 0: not known
	// Ceilings in mL/kg/h; nil: none. The program's own cautious ceiling of 20 and the
	// hard one of 40 count in any case.
	ProtocolMlPerKgPerH *int32
	LabelMlPerKgPerH    *int32

	SlowStage    bool   // said to be the slow start
	Adult        bool   // known to be no foal
	StartUlPerKg *int32 // the practice's own slow start, as in its protocol; nil: the program's
	StartMin     *int32
}

// RateJudged is what every screen and command says of a noted rate.
type RateJudged struct {
	Clamped      bool  // nothing runs
	UlPerKgPerH  int64 // 0.001 mL/kg/h, rounded down; 0 without a weight
	WithinLimits bool
	Raised       []caution.Raised
}

var (
	rateOverLabel = caution.Define("rate_over_label", caution.Reason,
		"%s mL/kg/h is over the label's %s mL/kg/h.")
	rateOverHard = caution.Define("rate_over_40", caution.Reason,
		"%s mL/kg/h is over 40 mL/kg/h, which is never planned: slow down now, look for overload, say why.")
	rateUnweighed = caution.Define("rate_without_weight", caution.Reason,
		"%s mL/h without a weight is over 600 mL/h (20 mL/kg/h at 30 kg): weigh.")
	startTooFast = caution.Define("slow_start_too_fast", caution.Caution,
		"%s mL/kg/h is no slow start: the first %s min are to run at no more than %s mL/kg/h.")
	rateNotChecked = caution.Define("rate_not_checked", caution.Note,
		"%s mL/h cannot be checked against the ceilings: the weight is not known.")
)

// CheckRate checks a noted rate in mL/kg/h against ceiling, label and protocol. It
// refuses nothing: it happened. It holds no float.
func CheckRate(in NotedRate) RateJudged {
	if in.MlPerH <= 0 {
		return RateJudged{Clamped: true, WithinLimits: true}
	}
	ml := strconv.Itoa(int(in.MlPerH))
	if in.WeightG <= 0 {
		if in.MlPerH > unweighedMlPerH {
			return RateJudged{Raised: []caution.Raised{rateUnweighed.With(ml)}}
		}
		return RateJudged{Raised: []caution.Raised{rateNotChecked.With(ml)}}
	}
	r := RateJudged{UlPerKgPerH: int64(in.MlPerH) * 1_000_000 / int64(in.WeightG)}
	perKg := perKgTenths(r.UlPerKgPerH)
	ceiling := int32(cautiousCeiling)
	if p := in.ProtocolMlPerKgPerH; p != nil && *p > 0 {
		ceiling = *p
	}
	switch {
	case in.over(hardCeiling):
		r.Raised = append(r.Raised, rateOverHard.With(perKg))
	case in.over(ceiling):
		r.Raised = append(r.Raised, overCeiling.With(perKg, strconv.Itoa(int(ceiling)), in.litreIn(30), in.litreIn(20)))
	}
	if l := in.LabelMlPerKgPerH; l != nil && in.over(*l) {
		r.Raised = append(r.Raised, rateOverLabel.With(perKg, strconv.Itoa(int(*l))))
	}
	r.WithinLimits = len(r.Raised) == 0
	r.Raised = append(r.Raised, in.judgeStart(r.UlPerKgPerH)...)
	return r
}

// judgeStart looks at a rate that is said to be the slow start; a tenth more is the
// drip's own rounding (ours).
func (n NotedRate) judgeStart(ulPerKgPerH int64) []caution.Raised {
	ul, minutes := int64(foalStartMlPerKg*1000), int64(foalStartMin)
	if n.Adult {
		ul, minutes = int64(adultMostMlPerKg*1000), int64(adultLeastMin)
	}
	if n.StartUlPerKg != nil && *n.StartUlPerKg > 0 {
		ul = int64(*n.StartUlPerKg)
	}
	if n.StartMin != nil && *n.StartMin > 0 {
		minutes = int64(*n.StartMin)
	}
	most := ul * 60 / minutes
	if !n.SlowStage || ulPerKgPerH*10 <= most*11 {
		return nil
	}
	return []caution.Raised{startTooFast.With(perKgTenths(ulPerKgPerH), strconv.FormatInt(minutes, 10), perKgTenths(most))}
}

// litreIn is the rate of a litre in so many minutes, in mL/kg/h.
func (n NotedRate) litreIn(minutes int64) string {
	return tenths(int32(min(1000*60*10_000/minutes/int64(n.WeightG), 1<<30)))
}

// over compares mL/h with a ceiling in mL/kg/h, exactly.
func (n NotedRate) over(mlPerKgPerH int32) bool {
	return int64(n.MlPerH)*1000 > int64(mlPerKgPerH)*int64(n.WeightG)
}

// perKgTenths prints 0.001 mL/kg/h as mL/kg/h.
func perKgTenths(ul int64) string { return tenths(int32(min((ul+50)/100, 1<<30))) }

// PerKgWords is a rate of 0.001 mL/kg/h as people are told it.
func PerKgWords(ul int64) string { return perKgTenths(ul) + " mL/kg/h" }
