package engine

import (
	"fmt"
	"math"
	"strconv"

	"thawtrail/internal/caution"
)

// One function decides about vitals during a transfusion, for page, command and
// ledger alike: Watch. It works in the whole units of the records and holds no
// float, so that a fold may call it.

// VitalSign is one of the three signs that make a set.
type VitalSign uint8

// The signs, in the order of VitalSigns.
const (
	Temperature   VitalSign = iota // 0.1 C
	HeartRate                      // beats/min
	BreathingRate                  // breaths/min
	vitalSigns
)

// VitalSigns lists the signs of a complete set.
func VitalSigns() []VitalSign { return []VitalSign{Temperature, HeartRate, BreathingRate} }

// String is the sign in words.
func (s VitalSign) String() string {
	return [vitalSigns]string{"temperature", "heart rate", "respiratory rate"}[s]
}

// Value prints a value of the sign with its unit.
func (s VitalSign) Value(v int32) string {
	if s == Temperature {
		return tenths(v) + " C"
	}
	return strconv.Itoa(int(v)) + "/min"
}

// tenths prints whole tenths as a decimal: 382 is 38.2.
func tenths(v int32) string {
	sign := ""
	n := int64(v)
	if n < 0 {
		sign, n = "-", -n
	}
	text := sign + strconv.FormatInt(n/10, 10)
	if n%10 != 0 {
		text += "." + strconv.FormatInt(n%10, 10)
	}
	return text
}

// VitalsLook is one look at the patient. A nil value was not measured; what was
// read off the bag at the same time is no vital sign and has no place here.
type VitalsLook struct {
	AtMs     int64
	Values   [vitalSigns]*int32 // by VitalSign
	Baseline bool               // marked as the measure of those that follow
}

// Complete says that all signs were measured together.
func (l *VitalsLook) Complete() bool {
	for _, v := range l.Values {
		if v == nil {
			return false
		}
	}
	return true
}

// VitalsLimits are the changes from the patient's own baseline, up or down, that
// raise an alarm, by VitalSign. What is not above 0 takes the default.
type VitalsLimits [vitalSigns]int32

// DefaultVitalsLimits are 1 C, as for febrile reactions (Rubio-Martinez &
// Hendrickson (eds), Complications in Equine Surgery, ch. 6), 20 beats and 15
// breaths a minute (ours).
var DefaultVitalsLimits = VitalsLimits{Temperature: 10, HeartRate: 20, BreathingRate: 15}

// SrcVitalsLimits are the sources of DefaultVitalsLimits.
const SrcVitalsLimits = "alarm on a change of 1 C: as for febrile reactions in Rubio-Martinez & Hendrickson (eds), Complications in Equine Surgery, ch. 6; of 20 beats or 15 breaths a minute: ours"

func (l VitalsLimits) of(s VitalSign) int32 {
	if l[s] > 0 {
		return l[s]
	}
	return DefaultVitalsLimits[s]
}

// VitalsAlarm is one sign out of its limits.
type VitalsAlarm struct {
	Sign                   VitalSign
	Baseline, Value, Limit int32
	AtMs                   int64 // since when it stands
}

// Change is the value less the baseline.
func (a VitalsAlarm) Change() int32 { return less(a.Value, a.Baseline) }

// less is a - b, kept within what an int32 and its negative hold: a record may name
// any number.
func less(a, b int32) int32 {
	return int32(min(max(int64(a)-int64(b), -math.MaxInt32), math.MaxInt32))
}

// Text tells the alarm in one line.
func (a VitalsAlarm) Text() string {
	text, by := "%s up %s from %s (limit %s)", a.Change()
	if by < 0 {
		text, by = "%s down %s from %s (limit %s)", -by
	}
	return fmt.Sprintf(text, a.Sign, a.Sign.Value(by), a.Sign.Value(a.Baseline), a.Sign.Value(a.Limit))
}

// VitalsJudged is one look as Watch judged it, by VitalSign.
type VitalsJudged struct {
	Compared [vitalSigns]bool  // measured, with a baseline to compare with
	Change   [vitalSigns]int32 // from the baseline of the time, where compared
	Alarm    [vitalSigns]bool  // out of limits in this look
}

// VitalsWatch is what stands after all looks.
type VitalsWatch struct {
	Looks    []VitalsJudged // one for each look, in their order
	Standing []VitalsAlarm  // each until that sign is measured again within its limit
	Baseline [vitalSigns]*int32
	Measure  int // which look is the latest baseline: the last one marked, else the first; -1 without looks
}

// Watch judges looks, which must be in order of time, against the patient's own
// latest baseline, sign by sign; where none is marked, each sign's first value is
// its baseline. A change up or down by the limit or more raises an alarm. It
// stands until that sign is measured again within the limit; a look that leaves
// the sign out ends nothing. A look that is marked as baseline sets the measure
// anew: it neither raises an alarm nor ends one, so that nobody silences a fever by
// calling it normal; its change from the baseline before is shown.
func Watch(looks []VitalsLook, limits VitalsLimits) VitalsWatch {
	w := VitalsWatch{Looks: make([]VitalsJudged, len(looks)), Measure: min(0, len(looks)-1)}
	var standing [vitalSigns]*VitalsAlarm
	for i := range looks {
		if looks[i].Baseline {
			w.Measure = i
		}
		for _, s := range [vitalSigns]VitalSign{Temperature, HeartRate, BreathingRate} {
			if looks[i].Values[s] != nil {
				w.judge(s, &looks[i], &w.Looks[i], limits.of(s), &standing[s])
			}
		}
	}
	for _, a := range standing {
		if a != nil {
			w.Standing = append(w.Standing, *a)
		}
	}
	return w
}

// judge takes in one measured sign of a look.
func (w *VitalsWatch) judge(s VitalSign, look *VitalsLook, judged *VitalsJudged, limit int32, standing **VitalsAlarm) {
	v, base := look.Values[s], w.Baseline[s]
	if base == nil || look.Baseline {
		w.Baseline[s] = v
	}
	if base == nil {
		return
	}
	judged.Compared[s], judged.Change[s] = true, less(*v, *base)
	if look.Baseline {
		return
	}
	judged.Alarm[s] = beyond(judged.Change[s], limit)
	switch was := *standing; {
	case !judged.Alarm[s]:
		*standing = nil
	case was != nil: // the older beginning, the newer value
		was.Baseline, was.Value, was.Limit = *base, *v, limit
	default:
		*standing = &VitalsAlarm{Sign: s, Baseline: *base, Value: *v, Limit: limit, AtMs: look.AtMs}
	}
}

// beyond says that a change is at or past a limit, up or down.
func beyond(change, limit int32) bool { return change >= limit || change <= -limit }

// StepUp is whether the rate may go up.
type StepUp struct {
	Standing []VitalsAlarm // alarms that stand
	Missing  []VitalSign   // of a complete set since the last step; nil: there was one
}

// Allowed says that no alarm stands and that a complete set was measured.
func (s StepUp) Allowed() bool { return len(s.Standing) == 0 && len(s.Missing) == 0 }

// MayStepUp asks for a step up: no alarm may stand, and a look at or after sinceMs
// (the start or the last change of rate; later where the caller wants it fresher)
// must hold temperature, heart rate and
// breathing rate together. Several looks that each hold a part are no set; what is
// missing is told of the fullest look.
func MayStepUp(looks []VitalsLook, limits VitalsLimits, sinceMs int64) StepUp {
	up := StepUp{Standing: Watch(looks, limits).Standing, Missing: VitalSigns()}
	for i := range looks {
		if looks[i].AtMs < sinceMs {
			continue
		}
		if looks[i].Complete() {
			up.Missing = nil
			return up
		}
		if missing := missingIn(&looks[i]); len(missing) <= len(up.Missing) {
			up.Missing = missing
		}
	}
	return up
}

func missingIn(l *VitalsLook) (out []VitalSign) {
	for _, s := range VitalSigns() {
		if l.Values[s] == nil {
			out = append(out, s)
		}
	}
	return out
}

// vitalsBand is a range published for an age, in the units of the records.
type vitalsBand struct {
	untilMin  int64 // age in minutes, not included
	low, high [vitalSigns]int32
}

// vitalsBands are wide on purpose: sources disagree, and the patient's own
// baseline decides. Over a week no heart and breathing rates were read.
var vitalsBands = []vitalsBand{
	{1 * 60, [vitalSigns]int32{370, 40, 30}, [vitalSigns]int32{389, 120, 80}},
	{12 * 60, [vitalSigns]int32{372, 60, 20}, [vitalSigns]int32{389, 150, 60}},
	{48 * 60, [vitalSigns]int32{372, 80, 20}, [vitalSigns]int32{389, 150, 40}},
	{7 * 24 * 60, [vitalSigns]int32{372, 80, 20}, [vitalSigns]int32{389, 120, 40}},
}

// SrcVitalsBands are the sources of the notes of OutsidePublished.
const SrcVitalsBands = "vital signs by age: notes copied from a neonatal manual (a weak source); textbook values after Koterba 1990 and Vaala, from memory; joined to the wider of the two: ours"

var vitalsOutside = caution.Define("vitals_outside_published", caution.Note,
	"%s %s is outside the %s to %s published for this age. Sources are weak and disagree: the change from the patient's own baseline decides.")

// OutsidePublished notes what of a look lies outside the ranges published for a
// newborn's age; none over a week of age.
func OutsidePublished(look VitalsLook, ageMin int64) (out []caution.Raised) {
	if ageMin < 0 {
		return nil
	}
	for i := range vitalsBands {
		b := &vitalsBands[i]
		if ageMin >= b.untilMin {
			continue
		}
		for _, s := range VitalSigns() {
			if v := look.Values[s]; v != nil && (*v < b.low[s] || *v > b.high[s]) {
				out = append(out, vitalsOutside.With(s.String(), s.Value(*v), s.Value(b.low[s]), s.Value(b.high[s])))
			}
		}
		return out
	}
	return nil
}
