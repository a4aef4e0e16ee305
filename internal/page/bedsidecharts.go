package page

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
