package page

import (
	"fmt"
	"net/http"
	"slices"
	"time"

	"github.com/go-analyze/charts"

	"thawtrail/internal/ledger"
	"thawtrail/internal/service"
	pb "thawtrail/proto/thawtrail/v1"
)

// Charts are pictures beside tables that say the same: no number stands in a
// chart alone. Each is asked for in a light and a dark form; paper takes the
// light one.

// chartColors is one theme of the charts.
type chartColors struct {
	Axis, Grid, Background, Text string
	Series                       [3]string
}

var (
	lightChart = chartColors{"#5d6a70", "#dcd6c9", "#fffdf8", "#1d282d", [3]string{"#0a5a78", "#9a4a00", "#5b3a8c"}}
	darkChart  = chartColors{"#9fb0b6", "#33444b", "#1a2429", "#e8e3d8", [3]string{"#7cc7e2", "#f0b46a", "#c6a7f2"}}
)

// chartColors are those that the browser asked for.
func (req *Request) chartColors() chartColors {
	if req.URL.Query().Get("dark") != "" {
		return darkChart
	}
	return lightChart
}

// palette is a theme as the chart library wants it.
func (c chartColors) palette() charts.ColorPalette {
	o := charts.ThemeOption{
		IsDarkMode: c == darkChart, AxisStrokeColor: charts.ParseColor(c.Axis), AxisSplitLineColor: charts.ParseColor(c.Grid),
		BackgroundColor: charts.ParseColor(c.Background), TextColor: charts.ParseColor(c.Text),
	}
	for _, hex := range c.Series {
		o.SeriesColors = append(o.SeriesColors, charts.ParseColor(hex))
	}
	return charts.MakeTheme(o)
}

const chartWidth, chartHeight = 720, 300

// draw sends what a painter drew.
func (req *Request) draw(paint func(*charts.Painter, charts.ColorPalette) error) error {
	theme := req.chartColors().palette()
	p := charts.NewPainter(charts.PainterOptions{OutputFormat: charts.ChartOutputSVG, Width: chartWidth, Height: chartHeight, Theme: theme})
	if err := paint(p, theme); err != nil {
		return err
	}
	raw, err := p.Bytes()
	if err != nil {
		return err
	}
	req.sendPicture(raw)
	return nil
}

func (req *Request) sendPicture(svg []byte) {
	req.W.Header().Set("Content-Type", "image/svg+xml")
	req.W.WriteHeader(http.StatusOK)
	_, _ = req.W.Write(svg) // a browser that went away is no error
}

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

// bars draws groups of bars; with nothing to draw it draws an empty frame.
func (req *Request) bars(labels []string, values [][]float64, names []string) error {
	return req.draw(func(p *charts.Painter, theme charts.ColorPalette) error {
		if len(labels) == 0 {
			return nil
		}
		opt := charts.NewBarChartOptionWithData(values)
		opt.Theme = theme
		opt.ValueAxis = []charts.ValueAxisOption{{Min: new(0.0)}}
		opt.BarSize = min(0.8, barWidth*float64(len(labels))/chartWidth)
		opt.CategoryAxis.Labels = labels
		opt.Legend.SeriesNames = names
		opt.Padding = charts.NewBoxEqual(16)
		return p.BarChart(opt)
	})
}

// expiryMonths counts frozen stock by the month it expires in.
func expiryMonths(l service.Look) (months []string, bags []int, err error) {
	n := map[string]int{}
	err = l.Bags(ledger.TermStock, func(bag *ledger.BagLine) error {
		if bag.Label != nil && len(bag.Label.Expiry) >= 7 {
			n[bag.Label.Expiry[:7]]++
		}
		return nil
	})
	for m := range n {
		months = append(months, m)
	}
	sortTexts(months)
	for _, m := range months {
		bags = append(bags, n[m])
	}
	return months, bags, err
}

func expiryChart(req *Request) error {
	var months []string
	var bags []int
	err := req.Read(func(l service.Look) (err error) {
		months, bags, err = expiryMonths(l)
		return err
	})
	if err != nil {
		return err
	}
	if len(months) > maxBars {
		months, bags = months[:maxBars], bags[:maxBars]
	}
	values := make([]float64, len(bags))
	for i, n := range bags {
		values[i] = float64(n)
	}
	return req.bars(months, [][]float64{values}, []string{say("chart.bags")})
}

const barWidth = 60.0 // pixels at most

// maxBars bounds what one chart shows; the table has all.
const maxBars = 24

// useChart draws bags given and thrown away by the chosen grouping.
func useChart(req *Request) error {
	out, err := req.Site.Audit.ListUse(req.Context(), &pb.ListUseRequest{By: req.URL.Query().Get("by")})
	if err != nil {
		return err
	}
	var labels []string
	given, wasted := []float64{}, []float64{}
	for _, r := range out.Rows[max(0, len(out.Rows)-maxBars):] {
		labels = append(labels, fmt.Sprintf("%.18s", r.Group))
		given, wasted = append(given, float64(r.Given)), append(wasted, float64(r.Discarded+r.Missing))
	}
	return req.bars(labels, [][]float64{given, wasted}, []string{say("chart.given"), say("chart.wasted")})
}
