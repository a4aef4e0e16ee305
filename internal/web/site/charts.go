package site

import (
	"net/http"
	"slices"
	"time"

	"thawtrail/internal/ledger"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// Charts are pictures beside tables that say the same: no number stands in a
// chart alone. Bars are part of their page (bars.go). The vitals over time are a
// file of their own, asked for in a light and a dark form; paper takes the light one.

// chartLook is one theme of the charts, at one width: a phone's is drawn for its own
// width, so that its text can be read.
type chartLook struct {
	Width                        int
	Axis, Grid, Background, Text string
	Series                       [3]string
}

var (
	lightChart = chartLook{wideChart, "#716a5a", "#d8cfbd", "#fffdf7", "#1a2629", [3]string{"#0a5361", "#9a4a00", "#5b3a8c"}}
	darkChart  = chartLook{wideChart, "#7f9196", "#31424a", "#182226", "#ece6d9", [3]string{"#7accd3", "#f0b46a", "#c6a7f2"}}
)

// Widths of a chart in pixels, and its height.
const wideChart, narrowChart, chartHeight = 720, 360, 300

// ChartLook is the one that the browser asked for.
func (req *Request) ChartLook() chartLook {
	look := lightChart
	if req.URL.Query().Get("dark") != "" {
		look = darkChart
	}
	if req.URL.Query().Get("narrow") != "" {
		look.Width = narrowChart
	}
	return look
}

// SendPicture answers with a picture.
func (req *Request) SendPicture(svg []byte) {
	sendText(req.W, req.Request, http.StatusOK, "image/svg+xml", svg)
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

// ReadingsOverTime puts a place's readings into lines: the warmest since the reading
// before, what was read, and the warmest that is allowed.
func ReadingsOverTime(place *pb.GetPlaceResponse, zone *time.Location) *timeChart {
	c := &timeChart{Zone: zone}
	for _, name := range words.List("chart.readings") {
		c.Lines = append(c.Lines, timeLine{Name: name})
	}
	add := func(line int, ms int64, value *float64) {
		if value != nil {
			c.Lines[line].Points = append(c.Lines[line].Points, timePoint{ms, *value})
		}
	}
	for i, r := range place.Readings {
		ms := words.ParseTime(r.At).UnixMilli()
		add(0, ms, r.MostC)
		add(1, ms, &r.NowC)
		if i == 0 || i == len(place.Readings)-1 {
			add(2, ms, place.WarmestC)
		}
	}
	c.Left = scaleOf(-30, -10, slices.Concat(c.Lines[0].Points, c.Lines[1].Points, c.Lines[2].Points))
	c.Right = c.Left
	return c
}

// MaxSums is how many of the newest transfusions the running sum of reactions is drawn
// and listed for.
const MaxSums = 60

// SumsOverTime puts the running sum of reactions into a line, beside the sum at which a
// signal stands.
func SumsOverTime(of *pb.ReactionChart, zone *time.Location) *timeChart {
	names := words.List("chart.sums")
	sum, stands := timeLine{Name: names[0]}, timeLine{Name: names[1]}
	for i := max(0, len(of.GetSums())-MaxSums); i < len(of.GetSums()); i++ {
		sum.Points = append(sum.Points, timePoint{of.SumsAtMs[i], of.Sums[i]})
	}
	if n := len(sum.Points); n > 0 {
		stands.Points = []timePoint{{sum.Points[0].AtMs, of.Decision}, {sum.Points[n-1].AtMs, of.Decision}}
	}
	c := &timeChart{Zone: zone, Lines: []timeLine{sum, stands}}
	c.Left = scaleOf(0, 2, slices.Concat(sum.Points, stands.Points))
	c.Right = c.Left
	return c
}
