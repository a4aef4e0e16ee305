package caseview

import (
	"fmt"
	"strings"

	"thawtrail/internal/engine"
	"thawtrail/internal/ledger"
	"thawtrail/internal/query"
	"thawtrail/internal/web/words"
)

// VitalsRow is one look at the patient as tables show it.
type VitalsRow struct {
	At, Temp, Heart, Breaths, Given, Text string
	Change                                string
	Baseline, Alarm                       bool
}

// Vitals are the looks with their change from the patient's own baseline of the time,
// the newest first.
func (cv *View) Vitals() (rows []VitalsRow) {
	for i := range cv.C.Vitals {
		x, judged := &cv.C.Vitals[i], &cv.Watch.Looks[i]
		row := VitalsRow{
			At: cv.At(x.Stamp.AtMs), Temp: words.TenthsOf(x.TemperatureDc), Heart: words.IntOf(x.HeartRate), Breaths: words.IntOf(x.BreathingRate),
			Given: words.IntOf(x.GivenMl), Text: x.Text, Baseline: i == cv.Watch.Measure || x.Baseline,
		}
		row.Change, row.Alarm = changeWords(judged)
		rows = append([]VitalsRow{row}, rows...)
	}
	return rows
}

// Alarm tells the alarms that stand, and since when the oldest does; empty when none
// does.
func (cv *View) Alarm() (text string, sinceMs int64) {
	for _, a := range cv.Watch.Standing {
		if sinceMs == 0 || a.AtMs < sinceMs {
			sinceMs = a.AtMs
		}
	}
	return query.Alarms(cv.Watch.Standing), sinceMs
}

// changeWords tells the change from the baseline, with the word ALARM where a limit is
// passed.
func changeWords(j *engine.VitalsJudged) (text string, alarm bool) {
	var parts []string
	for _, s := range engine.VitalSigns() {
		if !j.Compared[s] {
			continue
		}
		key, scale := "vitals.heart", 1.0
		switch s {
		case engine.Temperature:
			key, scale = "vitals.temperature", 10
		case engine.BreathingRate:
			key = "vitals.breaths"
		}
		part := words.Say(key, fmt.Sprintf("%+g", float64(j.Change[s])/scale))
		if j.Alarm[s] {
			alarm = true
			part = words.Say("vitals.alarm", part)
		}
		parts = append(parts, part)
	}
	return strings.Join(parts, ", "), alarm
}

// Baseline is the look that alarms compare with: the last one marked so, else the
// first of all; nil: none.
func (cv *View) Baseline() *ledger.Vitals {
	if cv.Watch.Measure < 0 {
		return nil
	}
	return &cv.C.Vitals[cv.Watch.Measure]
}
