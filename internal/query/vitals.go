package query

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"thawtrail/internal/engine"
	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// Looks are the vitals of a case as the engine judges them, in the order of time.
func Looks(c *ledger.Case) []engine.VitalsLook {
	out := make([]engine.VitalsLook, len(c.Vitals))
	for i := range c.Vitals {
		v := &c.Vitals[i]
		out[i] = LookOf(v.Stamp.AtMs, v.TemperatureDc, v.HeartRate, v.BreathingRate, v.Baseline)
	}
	return out
}

// LookOf is one look at the patient.
func LookOf(atMs int64, temperatureDc, heart, breaths *int32, baseline bool) engine.VitalsLook {
	look := engine.VitalsLook{AtMs: atMs, Baseline: baseline}
	look.Values[engine.Temperature], look.Values[engine.HeartRate], look.Values[engine.BreathingRate] = temperatureDc, heart, breaths
	return look
}

// Protocol is the practice's protocol for the patient of a case: the one whose name
// has the kind of patient in it, else the only one there is; nil: none.
func (b *ReadView) Protocol(c *ledger.Case) (found *ledger.ProtocolVersion, err error) {
	n := 0
	var only *ledger.ProtocolVersion
	err = b.Each(event.KindProtocol, func(st ledger.State) (bool, error) {
		p := st.(*ledger.Protocol)
		if p.Current() == nil {
			return true, nil
		}
		n++
		only = p.Current()
		if c.Patient != nil && namesKind(p.Entity.ID, c.Patient.Kind) {
			found = only
		}
		return n < MaxRows, nil
	})
	if found == nil && n == 1 {
		found = only
	}
	return found, err
}

// namesKind says that a protocol's name has the kind of patient in it. An adult is
// what the contract calls a horse.
func namesKind(protocol string, kind pb.PatientKind) bool {
	name := strings.ToLower(protocol)
	return kind != pb.PatientKind_PATIENT_KIND_UNSPECIFIED && strings.Contains(name, wording.Code(kind)) ||
		kind == pb.PatientKind_PATIENT_KIND_HORSE && strings.Contains(name, "adult")
}

// VitalsLimits are the changes that raise an alarm in a case: the engine's defaults,
// which the practice's protocols replace. Where several are for this kind of patient,
// or none of several names it, the tightest counts.
func (b *ReadView) VitalsLimits(c *ledger.Case) (limits engine.VitalsLimits, err error) {
	var named, all engine.VitalsLimits
	err = b.Each(event.KindProtocol, func(s ledger.State) (bool, error) {
		p := s.(*ledger.Protocol)
		if v := p.Current(); v != nil {
			tighten(&all, v)
			if c.Patient != nil && namesKind(p.Entity.ID, c.Patient.Kind) {
				tighten(&named, v)
			}
		}
		return true, nil
	})
	if named == (engine.VitalsLimits{}) {
		return all, err
	}
	return named, err
}

func tighten(limits *engine.VitalsLimits, p *ledger.ProtocolVersion) {
	for sign, v := range map[engine.VitalSign]*int32{engine.Temperature: p.TemperatureRiseDc, engine.HeartRate: p.HeartRateRise, engine.BreathingRate: p.BreathingRateRise} {
		if v != nil && (limits[sign] == 0 || *v < limits[sign]) {
			limits[sign] = *v
		}
	}
}

// Watch judges all vitals of a case.
func (b *ReadView) Watch(c *ledger.Case) (engine.VitalsWatch, error) {
	limits, err := b.VitalsLimits(c)
	return engine.Watch(Looks(c), limits), err
}

// freshVitals is how old the set before a step up may be: the longest time between two
// looks.
const freshVitals = 15 * time.Minute

// StepUp asks whether the rate may go up at a moment: no alarm stands, and a complete
// set was noted since the last step, and lately.
func (b *ReadView) StepUp(c *ledger.Case, at time.Time) (engine.StepUp, error) {
	limits, err := b.VitalsLimits(c)
	since := at.Add(-freshVitals).UnixMilli()
	for i := range c.Transfusions {
		if t := &c.Transfusions[i]; t.Running {
			since = max(since, t.FirstMs())
		}
	}
	for i := range c.Rates {
		if ms := c.Rates[i].Stamp.AtMs; ms < at.UnixMilli() {
			since = max(since, ms)
		}
	}
	return engine.MayStepUp(Looks(c), limits, since), err
}

// Alarms tells alarms in one line.
func Alarms(standing []engine.VitalsAlarm) string {
	parts := make([]string, len(standing))
	for i, a := range standing {
		parts[i] = a.Text()
	}
	return strings.Join(parts, "; ")
}

func (b *ReadView) vitalsRows(c *ledger.Case) ([]*pb.VitalsRow, error) {
	watch, err := b.Watch(c)
	var out []*pb.VitalsRow
	for i := range c.Vitals {
		v := &c.Vitals[i]
		row := &pb.VitalsRow{At: b.Stamp(v.Stamp.AtMs), HeartRate: v.HeartRate, BreathingRate: v.BreathingRate, GivenMl: v.GivenMl}
		if v.TemperatureDc != nil {
			c := float64(*v.TemperatureDc) / 10
			row.TemperatureC = &c
		}
		row.Change = changeWords(&watch.Looks[i], i == watch.Measure)
		out = append(out, row)
	}
	return out, err
}

// signWords are the short names and units of the signs in a table.
var signWords = map[engine.VitalSign]struct {
	name, unit string
	scale      float64
}{
	engine.Temperature: {"temperature", " C", 10}, engine.HeartRate: {"heart rate", "/min", 1}, engine.BreathingRate: {"respiratory rate", "/min", 1},
}

// changeWords words what changed since the baseline, and what raises an alarm.
func changeWords(j *engine.VitalsJudged, measure bool) string {
	var parts, alarms []string
	for _, s := range engine.VitalSigns() {
		if !j.Compared[s] || j.Change[s] == 0 {
			continue
		}
		w := signWords[s]
		part := fmt.Sprintf("%s %+.4g%s", w.name, float64(j.Change[s])/w.scale, w.unit)
		parts = append(parts, part)
		if j.Alarm[s] {
			alarms = append(alarms, part)
		}
	}
	if measure {
		parts = slices.Insert(parts, 0, "baseline")
	}
	text := strings.Join(parts, ", ")
	if len(alarms) > 0 {
		text += "  ALARM: " + strings.Join(alarms, ", ")
	}
	return text
}

// vitalsEvery is the longest time between two looks while plasma runs: every 5
// minutes for 15, then every 15 (Five-Minute Veterinary Consult: Equine, 3rd ed,
// transfusion reactions).
func vitalsEvery(sinceStart time.Duration) time.Duration {
	if sinceStart < 15*time.Minute {
		return 5 * time.Minute
	}
	return 15 * time.Minute
}

// NextVitals is when the next look at a running case is due: after the last complete
// set, or as a code told while none is here. What was read off the bag is no look, nor
// is a part of a set.
func NextVitals(c *ledger.Case) (ms int64) {
	started := int64(0)
	for i := range c.Transfusions {
		if t := &c.Transfusions[i]; t.Running {
			started = t.FirstMs()
		}
	}
	last := started
	for _, look := range Looks(c) {
		if look.Complete() {
			last = max(last, look.AtMs)
		}
	}
	if told := c.LastTold(); told != nil && last == started && told.NextVitalsMs > started {
		return told.NextVitalsMs
	}
	return last + vitalsEvery(time.Duration(last-started)*time.Millisecond).Milliseconds()
}

// NotedRate is a rate of a case as the engine checks it: against the weight, the label
// of the bag and the practice's protocol.
func (b *ReadView) NotedRate(c *ledger.Case, bag string, mlPerH int32, slow bool) (in engine.NotedRate, err error) {
	in.MlPerH, in.SlowStage, in.Adult = mlPerH, slow, c.Adult()
	if n := len(c.Weights); n > 0 {
		in.WeightG = c.Weights[n-1].WeightG
	}
	protocol, err := b.Protocol(c)
	if err != nil {
		return in, err
	}
	if protocol != nil {
		in.ProtocolMlPerKgPerH = protocol.CeilingMlPerKgPerH
		in.StartUlPerKg, in.StartMin = protocol.StartUlPerKg, protocol.StartMin
	}
	known, err := b.Bag(bag)
	if err != nil || known == nil || known.Label == nil {
		return in, err
	}
	card, err := b.Card(known.Label.Product)
	if card != nil {
		in.LabelMlPerKgPerH = card.RateMaxMlPerKgPerH
	}
	return in, err
}
