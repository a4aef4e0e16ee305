package page

import (
	"fmt"
	"net/http"
	"time"

	"github.com/go-analyze/charts"

	"thawtrail/internal/ledger"
	"thawtrail/internal/service"
	pb "thawtrail/proto/thawtrail/v1"
)

// Charts are pictures beside tables that say the same: no number stands in a
// chart alone. Each is asked for in a light and a dark form; paper takes the
// light one.

// palette is one theme of the charts.
func palette(dark bool) charts.ColorPalette {
	c := func(hex string) charts.Color { return charts.ParseColor(hex) }
	o := charts.ThemeOption{
		AxisStrokeColor: c("#5d6a70"), AxisSplitLineColor: c("#dcd6c9"), BackgroundColor: c("#fffdf8"), TextColor: c("#1d282d"),
		SeriesColors: []charts.Color{c("#0a5a78"), c("#9a4a00"), c("#5b3a8c")},
	}
	if dark {
		o = charts.ThemeOption{
			IsDarkMode: true, AxisStrokeColor: c("#9fb0b6"), AxisSplitLineColor: c("#33444b"), BackgroundColor: c("#1a2429"), TextColor: c("#e8e3d8"),
			SeriesColors: []charts.Color{c("#7cc7e2"), c("#f0b46a"), c("#c6a7f2")},
		}
	}
	return charts.MakeTheme(o)
}

const chartWidth, chartHeight = 720, 300

// draw sends what a painter drew.
func (v *visit) draw(paint func(*charts.Painter, charts.ColorPalette) error) error {
	theme := palette(v.r.URL.Query().Get("dark") != "")
	p := charts.NewPainter(charts.PainterOptions{OutputFormat: charts.ChartOutputSVG, Width: chartWidth, Height: chartHeight, Theme: theme})
	if err := paint(p, theme); err != nil {
		return err
	}
	raw, err := p.Bytes()
	if err != nil {
		return err
	}
	v.w.Header().Set("Content-Type", "image/svg+xml")
	v.w.WriteHeader(http.StatusOK)
	_, _ = v.w.Write(raw) // a browser that went away is no error
	return nil
}

// vitalsChart draws heart and breathing rate on the left and temperature on the
// right, one mark for each look.
func (s *Site) vitalsChart(v *visit) error {
	cv, err := v.caseOf(v.r.PathValue("case"))
	if err != nil {
		return err
	}
	return v.draw(func(p *charts.Painter, theme charts.ColorPalette) error {
		values := make([][]float64, 3)
		var labels []string
		for i := range cv.C.Vitals {
			x := &cv.C.Vitals[i]
			labels = append(labels, time.UnixMilli(x.Stamp.AtMs).In(cv.Zone).Format("15:04"))
			values[0] = append(values[0], valueOr(x.HeartRate, 1))
			values[1] = append(values[1], valueOr(x.BreathingRate, 1))
			values[2] = append(values[2], valueOr(x.TemperatureDc, 10))
		}
		opt := charts.NewLineChartOptionWithData(values)
		opt.Theme = theme
		opt.SeriesList[2].YAxisIndex = 1
		low, high := tempAxis(values[2])
		opt.YAxis = []charts.YAxisOption{{Min: new(0.0)}, {Min: &low, Max: &high}}
		opt.XAxis.Labels = labels
		opt.Legend.SeriesNames = list("chart.vitals")
		opt.SeriesList[0].Symbol, opt.SeriesList[1].Symbol, opt.SeriesList[2].Symbol = symbol(charts.SymbolCircle), symbol(charts.SymbolSquare), symbol(charts.SymbolDiamond)
		opt.Padding = charts.NewBoxEqual(16)
		return p.LineChart(opt)
	})
}

// tempAxis keeps the temperature's axis wide, so that a tenth of a degree does
// not look like a peak.
func tempAxis(values []float64) (low, high float64) {
	low, high = 36.5, 40.5
	for _, v := range values {
		if v != charts.GetNullValue() {
			low, high = min(low, v-0.5), max(high, v+0.5)
		}
	}
	return low, high
}

func symbol(shape charts.SymbolShape) charts.Symbol { return charts.Symbol{Shape: shape} }

func valueOr(v *int32, scale float64) float64 {
	if v == nil {
		return charts.GetNullValue()
	}
	return float64(*v) / scale
}

// iggChart draws IgG before and after with what the plan expected.
func (s *Site) iggChart(v *visit) error {
	cv, err := v.caseOf(v.r.PathValue("case"))
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
	return v.bars(labels, [][]float64{values}, []string{say("chart.igg")})
}

// bars draws groups of bars; with nothing to draw it draws an empty frame.
func (v *visit) bars(labels []string, values [][]float64, names []string) error {
	return v.draw(func(p *charts.Painter, theme charts.ColorPalette) error {
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

func (s *Site) expiryChart(v *visit) error {
	var months []string
	var bags []int
	err := s.cfg.Replica.Look(v.r.Context(), func(l service.Look) (err error) {
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
	return v.bars(months, [][]float64{values}, []string{say("chart.bags")})
}

const barWidth = 60.0 // pixels at most

// maxBars bounds what one chart shows; the table has all.
const maxBars = 24

// useChart draws bags given and thrown away by the chosen grouping.
func (s *Site) useChart(v *visit) error {
	out, err := s.audit.ListUse(v.r.Context(), &pb.ListUseRequest{By: v.r.URL.Query().Get("by")})
	if err != nil {
		return err
	}
	var labels []string
	given, wasted := []float64{}, []float64{}
	for _, r := range out.Rows[max(0, len(out.Rows)-maxBars):] {
		labels = append(labels, fmt.Sprintf("%.18s", r.Group))
		given, wasted = append(given, float64(r.Given)), append(wasted, float64(r.Discarded+r.Missing))
	}
	return v.bars(labels, [][]float64{given, wasted}, []string{say("chart.given"), say("chart.wasted")})
}
