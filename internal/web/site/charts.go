package site

import (
	"net/http"
	"slices"
	"time"

	"thawtrail/internal/ledger"
	"thawtrail/internal/web/words"
)

// Charts are pictures beside tables that say the same: no number stands in a
// chart alone. Bars are part of their page (bars.go). The vitals over time are a
// file of their own, asked for in a light and a dark form; paper takes the light one.

// chartColors is one theme of the charts.
type chartColors struct {
	Axis, Grid, Background, Text string
	Series                       [3]string
}

var (
	lightChart = chartColors{"#5d6a70", "#dcd6c9", "#fffdf8", "#1d282d", [3]string{"#0a5a78", "#9a4a00", "#5b3a8c"}}
	darkChart  = chartColors{"#9fb0b6", "#33444b", "#1a2429", "#e8e3d8", [3]string{"#7cc7e2", "#f0b46a", "#c6a7f2"}}
)

// ChartColors are those that the browser asked for.
func (req *Request) ChartColors() chartColors {
	if req.URL.Query().Get("dark") != "" {
		return darkChart
	}
	return lightChart
}

const chartWidth, chartHeight = 720, 300

// SendPicture answers with a picture.
func (req *Request) SendPicture(svg []byte) {
	req.W.Header().Set("Content-Type", "image/svg+xml")
	req.W.WriteHeader(http.StatusOK)
	_, _ = req.W.Write(svg) // a browser that went away is no error
}

// VitalsOverTime puts looks into lines. The scales are wide, so that a tenth of a
// degree does not look like a peak.
func VitalsOverTime(vitals []ledger.Vitals, zone *time.Location) *timeChart {
	c := &timeChart{Zone: zone}
	for i, name := range words.List("chart.vitals") {
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
