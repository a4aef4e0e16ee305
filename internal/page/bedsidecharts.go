package page

import (
	"slices"
	"thawtrail/internal/ledger"
	"time"
)

// vitalsChart draws heart and breathing rate on the left and temperature on the
// right, one mark for each look, at its minute.
func vitalsChart(req *Request) error {
	cv, err := caseOf(req, req.PathValue("case"))
	if err != nil {
		return err
	}
	req.sendPicture(vitalsOverTime(cv.C.Vitals, cv.Zone).draw(req.chartColors()))
	return nil
}

// vitalsOverTime puts looks into lines. The scales are wide, so that a tenth of a
// degree does not look like a peak.
func vitalsOverTime(vitals []ledger.Vitals, zone *time.Location) *timeChart {
	c := &timeChart{Zone: zone}
	for i, name := range list("chart.vitals") {
		c.Lines = append(c.Lines, timeLine{Name: name, Right: i == 2})
	}
	for i := range vitals {
		x := &vitals[i]
		for j, value := range []*int32{x.HeartRate, x.BreathingRate, x.TemperatureDc} {
			if value == nil {
				continue
			}
			at := timePoint{x.Stamp.AtMs, float64(*value)}
			if c.Lines[j].Right {
				at.Value /= 10
			}
			c.Lines[j].Points = append(c.Lines[j].Points, at)
		}
	}
	c.Left = scaleOf(0, 100, slices.Concat(c.Lines[0].Points, c.Lines[1].Points))
	c.Right = scaleOf(36.5, 40.5, c.Lines[2].Points)
	return c
}

// iggChart draws IgG before and after with what the plan expected.
func iggChart(req *Request) error {
	cv, err := caseOf(req, req.PathValue("case"))
	if err != nil {
		return err
	}
	var labels []string
	var values []float64
	for i := range cv.C.IggTests {
		t := &cv.C.IggTests[i]
		if t.IggCgPerL == nil {
			continue
		}
		name := say("chart.before")
		if t.Recheck {
			name = say("chart.after")
		}
		labels, values = append(labels, name), append(values, float64(*t.IggCgPerL)/100)
	}
	return req.bars(labels, [][]float64{values}, []string{say("chart.igg")})
}
