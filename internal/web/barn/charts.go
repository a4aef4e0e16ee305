package barn

import (
	"thawtrail/internal/web/caseview"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
)

// VitalsChart draws heart and breathing rate on the left and temperature on the
// right, one mark for each look, at its minute.
func VitalsChart(req *site.Request) error {
	cv, err := caseview.Of(req, req.PathValue("case"))
	if err != nil {
		return err
	}
	req.SendPicture(site.VitalsOverTime(cv.C.Vitals, cv.Zone).Draw(req.ChartColors()))
	return nil
}

// IggChart draws IgG before and after with what the plan expected.
func IggChart(req *site.Request) error {
	cv, err := caseview.Of(req, req.PathValue("case"))
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
		name := words.Say("chart.before")
		if t.Recheck {
			name = words.Say("chart.after")
		}
		labels, values = append(labels, name), append(values, float64(*t.IggCgPerL)/100)
	}
	return req.Bars(labels, [][]float64{values}, []string{words.Say("chart.igg")})
}
