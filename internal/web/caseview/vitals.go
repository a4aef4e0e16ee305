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
			At: cv.At(x.Stamp.AtMs), Temp: cv.tempCell(x.TemperatureDc), Heart: words.IntOf(x.HeartRate), Breaths: words.IntOf(x.BreathingRate),
			Given: words.IntOf(x.GivenMl), Text: x.Text, Baseline: i == cv.Watch.Measure || x.Baseline,
		}
		row.Change, row.Alarm = changeWords(judged)
		rows = append([]VitalsRow{row}, rows...)
	}
	return rows
}

// tempCell is a temperature as a cell under its unit; empty for none.
func (cv *View) tempCell(dc *int32) string {
	if dc == nil {
		return ""
	}
	return cv.Beside.With(words.Tenths(*dc), cv.Beside.FahrenheitOf(*dc))
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

// SignFact is one sign as it was last measured.
type SignFact struct {
	Field             string // of the form that notes it
	Name, Value, Unit string // no value: not measured yet
	Note              string // its change from the baseline, with the limit where it is passed
	Alarm             bool   // an alarm of it stands
}

// signFields are the fields of vitals by sign.
var signFields = map[engine.VitalSign]string{
	engine.Temperature: "temperature_dc", engine.HeartRate: "heart_rate", engine.BreathingRate: "breathing_rate",
}

// Signs are the signs of a complete set as each was last measured.
func (cv *View) Signs() (out []SignFact) {
	looks := query.Looks(cv.C)
	for i, s := range engine.VitalSigns() {
		fact := SignFact{Field: signFields[s], Name: words.List("vitals.signs")[i], Unit: words.List("vitals.units")[i]}
		for j := len(looks) - 1; j >= 0; j-- {
			if v := looks[j].Values[s]; v != nil {
				fact.Value, fact.Note = signValue(s, *v), words.Say("vitals.baseline")
				if s == engine.Temperature {
					fact.Unit = cv.Beside.With(fact.Unit, cv.Beside.FahrenheitOf(*v))
				}
				if judged := &cv.Watch.Looks[j]; judged.Compared[s] && !looks[j].Baseline {
					fact.Note = words.Say("vitals.change", signChange(s, judged.Change[s]), signValue(s, *v-judged.Change[s]))
				}
				break
			}
		}
		for _, a := range cv.Watch.Standing {
			if a.Sign == s {
				fact.Alarm, fact.Note = true, words.Say("vitals.over", signChange(s, a.Change()), strings.TrimSuffix(signValue(s, a.Limit), ".0"))
			}
		}
		out = append(out, fact)
	}
	return out
}

// AlarmShort tells the alarms that stand as their changes alone.
func (cv *View) AlarmShort() string {
	var parts []string
	for _, a := range cv.Watch.Standing {
		parts = append(parts, words.Say("vitals.short", a.Sign, signChange(a.Sign, a.Change()), words.List("vitals.units")[a.Sign]))
	}
	return strings.Join(parts, ", ")
}

// signValue is a value of a sign without its unit.
func signValue(s engine.VitalSign, v int32) string {
	if s == engine.Temperature {
		return words.Tenths(v)
	}
	return words.IntOf(&v)
}

// signChange is a change of a sign with its sign before it.
func signChange(s engine.VitalSign, v int32) string {
	if v > 0 {
		return "+" + signValue(s, v)
	}
	return signValue(s, v)
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
