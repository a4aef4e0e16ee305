package caseview

import (
	"fmt"
	"strings"

	"thawtrail/internal/ledger"
	"thawtrail/internal/web/words"
)

// VitalsRow is one look at the patient as tables show it.
type VitalsRow struct {
	At, Temp, Heart, Breaths, Given, Text string
	Change                                string
	Baseline, Alarm                       bool
}

// Vitals are the looks with their change from the patient's own baseline, the
// newest first.
func (cv *View) Vitals() (rows []VitalsRow, alarm string) {
	base := cv.Baseline()
	for i := range cv.C.Vitals {
		x := &cv.C.Vitals[i]
		row := VitalsRow{
			At: cv.At(x.Stamp.AtMs), Temp: words.TenthsOf(x.TemperatureDc), Heart: words.IntOf(x.HeartRate), Breaths: words.IntOf(x.BreathingRate),
			Given: words.IntOf(x.GivenMl), Text: x.Text, Baseline: x == base,
		}
		if base != nil && x != base {
			row.Change, row.Alarm = cv.change(base.TemperatureDc, x.TemperatureDc, base.HeartRate, x.HeartRate, base.BreathingRate, x.BreathingRate)
		}
		if row.Alarm {
			alarm = row.Change
		} else if row.Change != "" {
			alarm = ""
		}
		rows = append([]VitalsRow{row}, rows...)
	}
	return rows, alarm
}

// Rises over the patient's own baseline that raise an alarm where the practice's
// protocol says nothing: 1 C as for febrile reactions (Rubio-Martinez &
// Hendrickson (eds), Complications in Equine Surgery, ch. 6); the rates are ours.
const (
	riseTempDc  = 10
	riseHeart   = 20
	riseBreaths = 15
)

// change tells the change from the baseline, with the word ALARM where a limit of
// the practice is passed.
func (cv *View) change(t0, t, h0, h, b0, b *int32) (text string, alarm bool) {
	heart, breaths := int32(riseHeart), int32(riseBreaths)
	if p := cv.Protocol; p != nil {
		if p.HeartRateRise != nil {
			heart = *p.HeartRateRise
		}
		if p.BreathingRateRise != nil {
			breaths = *p.BreathingRateRise
		}
	}
	var parts []string
	add := func(key string, from, to *int32, limit int32, scale float64) {
		if from == nil || to == nil {
			return
		}
		d := *to - *from
		part := words.Say(key, fmt.Sprintf("%+g", float64(d)/scale))
		if d >= limit {
			alarm = true
			part = words.Say("vitals.alarm", part)
		}
		parts = append(parts, part)
	}
	add("vitals.temperature", t0, t, riseTempDc, 10)
	add("vitals.heart", h0, h, heart, 1)
	add("vitals.breaths", b0, b, breaths, 1)
	return strings.Join(parts, ", "), alarm
}

// Baseline is the look that alarms compare with: the last one marked so before
// plasma, else the first of all.
func (cv *View) Baseline() *ledger.Vitals {
	var marked *ledger.Vitals
	for i := range cv.C.Vitals {
		if cv.C.Vitals[i].Baseline {
			marked = &cv.C.Vitals[i]
		}
	}
	if marked == nil && len(cv.C.Vitals) > 0 {
		marked = &cv.C.Vitals[0]
	}
	return marked
}
