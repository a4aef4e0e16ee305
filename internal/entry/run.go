package entry

import (
	"slices"
	"strings"
	"time"

	"thawtrail/internal/caution"
	"thawtrail/internal/engine"
	"thawtrail/internal/query"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

var (
	noVitals = define("no_vitals_before_step_up",
		"No step up without vitals: temperature, heart rate and respiratory rate together, since the last step and in the last 15 minutes. Missing: %s.")
	alarmStands = define("alarm_stands_before_step_up",
		"No step up while an alarm stands: %s. It stands until that sign is measured again within its limit.")
	vitalsAlarm = caution.Define("vitals_alarm", caution.Caution,
		"Alarm: %s. Slower, clamp, or stop and treat.")
	notASet = caution.Define("vitals_incomplete", caution.Note,
		"Not a full set: %s is missing. The next vitals stay due.")
)

// checkVitals tells the alarms that stand with this look, what a set still wants, and
// what lies outside the ranges published for the age.
func (b view) checkVitals(p *pb.VitalsNoted, at time.Time) (out []caution.Raised, err error) {
	if p.TemperatureDc == nil && p.HeartRate == nil && p.BreathingRate == nil && p.GivenMl == nil && p.Text == "" {
		return nil, refusal.New("temperature_dc", "", "something that was seen: temperature, heart rate, respiratory rate, mL or a word")
	}
	c, err := b.Case(p.Case)
	if err != nil || c == nil {
		return nil, err
	}
	if out, err = b.checkRead(p.Case, p.GivenMl, at); err != nil {
		return nil, err
	}
	limits, err := b.VitalsLimits(c)
	if err != nil {
		return nil, err
	}
	look := query.LookOf(at.UnixMilli(), p.TemperatureDc, p.HeartRate, p.BreathingRate, p.Baseline)
	looks := append(query.Looks(c), look)
	slices.SortStableFunc(looks, func(x, y engine.VitalsLook) int { return int(min(max(x.AtMs-y.AtMs, -1), 1)) })
	if standing := engine.Watch(looks, limits).Standing; len(standing) > 0 {
		out = append(out, vitalsAlarm.With(query.Alarms(standing)))
	}
	if !look.Complete() {
		out = append(out, notASet.With(signsIn(engine.MayStepUp([]engine.VitalsLook{look}, limits, 0).Missing)))
	}
	if c.Foal() && c.Patient.BornMs != 0 {
		out = append(out, engine.OutsidePublished(look, (at.UnixMilli()-c.Patient.BornMs)/60_000)...)
	}
	return out, nil
}

func signsIn(signs []engine.VitalSign) string {
	parts := make([]string, len(signs))
	for i, s := range signs {
		parts[i] = s.String()
	}
	return strings.Join(parts, ", ")
}

// checkRate checks a noted rate in mL/kg/h against ceiling, label and protocol, and a
// step up against alarms and vitals. One that goes down is marked and never stopped.
func (b view) checkRate(e *pending, p *pb.RateSet) ([]caution.Raised, error) {
	c, err := b.Case(p.Case)
	if err != nil || c == nil {
		return nil, err
	}
	in, err := b.NotedRate(c, p.Bag, p.MlPerH, p.SlowStage)
	if err != nil {
		return nil, err
	}
	judged := engine.CheckRate(in)
	e.rate = &judged
	n := len(c.Rates)
	e.slower = n > 0 && p.MlPerH <= c.Rates[n-1].MlPerH
	if p.SlowStage || n == 0 || e.slower {
		return judged.Raised, nil
	}
	up, err := b.StepUp(c, e.at)
	out := judged.Raised
	if len(up.Standing) > 0 {
		out = append(out, alarmStands.With(query.Alarms(up.Standing)))
	}
	if len(up.Missing) > 0 {
		out = append(out, noVitals.With(signsIn(up.Missing)))
	}
	return out, err
}

// rateWords says a noted rate per kg; empty without a weight.
func rateWords(r *engine.RateJudged) string {
	switch {
	case r == nil:
		return ""
	case r.Clamped:
		return "nothing runs: the clamp is shut"
	case r.UlPerKgPerH == 0:
		return ""
	}
	return engine.PerKgWords(r.UlPerKgPerH)
}
