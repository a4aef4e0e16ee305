package site

import (
	"fmt"
	"html"
	"math"
	"strings"
	"time"

	"thawtrail/internal/web/words"
)

// timeChart is a picture of values over time. Each point stands at its minute:
// looks five minutes apart lie closer together than looks an hour apart. Lines have
// marks and dashes of their own: colour alone tells nothing apart.
type timeChart struct {
	Zone  *time.Location
	Lines []timeLine // at most as many as there are shapes
	Left  scale
	Right scale
}

// timeLine is one row of values; a look without a value is no point of it.
type timeLine struct {
	Name   string
	Right  bool // on the right scale
	Points []timePoint
}

type timePoint struct {
	AtMs  int64
	Value float64
}

// scale is one side's axis: even steps from Low to High.
type scale struct{ Low, High, Step float64 }

// scaleOf is a scale that holds what it must and all values, from low to high at
// the least, in at most six steps of a round size.
func scaleOf(low, high float64, values []timePoint) scale {
	for _, p := range values {
		low, high = min(low, p.Value), max(high, p.Value)
	}
	step := 0.5
	for i := 0; (high-low)/step > 6; i++ {
		step *= [...]float64{2, 2, 2.5}[i%3] // 0.5, 1, 2, 5, 10, ...
	}
	return scale{math.Floor(low/step) * step, math.Ceil(high/step) * step, step}
}

// The plot's edges within the picture, in pixels.
const plotLeft, plotEdge, plotTop, plotBottom = 44, 44, 44, chartHeight - 40

// timeSteps are the distances of the marks below the chart, in minutes; a longer
// span takes a multiple of the last.
var timeSteps = []int64{1, 2, 5, 10, 15, 30, 60, 120, 240, 720, 1440}

const (
	maxTimeMarks = 8
	minuteMs     = 60_000
)

// timeStep is the distance of at most some marks of a span, in milliseconds.
func timeStep(spanMs, most int64) int64 {
	for _, minutes := range timeSteps {
		if spanMs < most*minutes*minuteMs {
			return minutes * minuteMs
		}
	}
	day := timeSteps[len(timeSteps)-1] * minuteMs
	return day * (1 + spanMs/(most*day))
}

// Draw makes the picture; without points it is an empty frame.
func (c *timeChart) Draw(look chartLook) []byte {
	d := &drawing{chart: c, colors: look, right: look.Width - plotEdge}
	legend := d.legend()
	d.add(`<svg xmlns="http://www.w3.org/2000/svg" width="%d" height="%d" viewBox="0 0 %[1]d %[2]d" font-family="sans-serif" font-size="13" fill="%s">`,
		look.Width, chartHeight, look.Text)
	d.add(`<rect width="%d" height="%d" fill="%s"/>`, look.Width, chartHeight, look.Background)
	if d.span() {
		d.times()
		d.side(c.Left, plotLeft, -8, "end", true)
		d.side(c.Right, d.right, 8, "start", false)
		for i := range c.Lines {
			d.line(i)
		}
	}
	d.add("%s", strings.TrimSuffix(legend, "\n"))
	d.add(`</svg>`)
	return []byte(d.String())
}

// drawing is a picture that is being made.
type drawing struct {
	strings.Builder
	chart    *timeChart
	colors   chartLook
	right    int   // the plot's right edge
	top      int   // its upper edge: below the names of its lines
	from, to int64 // milliseconds
}

func (d *drawing) add(format string, values ...any) { fmt.Fprintf(d, format+"\n", values...) }

// span finds the first and the last moment; one moment alone stands in the middle.
func (d *drawing) span() bool {
	any := false
	for _, l := range d.chart.Lines {
		for _, p := range l.Points {
			if !any {
				d.from, d.to, any = p.AtMs, p.AtMs, true
			}
			d.from, d.to = min(d.from, p.AtMs), max(d.to, p.AtMs)
		}
	}
	if d.from == d.to {
		d.from, d.to = d.from-minuteMs, d.to+minuteMs
	}
	return any
}

func (d *drawing) x(ms int64) float64 {
	return plotLeft + float64(ms-d.from)/float64(d.to-d.from)*float64(d.right-plotLeft)
}

func (d *drawing) y(s scale, value float64) float64 {
	return plotBottom - (value-s.Low)/(s.High-s.Low)*float64(plotBottom-d.top)
}

// times marks round moments of the zone below the chart.
func (d *drawing) times() {
	step := timeStep(d.to-d.from, int64(maxTimeMarks*d.colors.Width/wideChart))
	layout := "15:04"
	switch {
	case step >= 1440*minuteMs:
		layout = "2 Jan"
	case step >= 720*minuteMs:
		layout = "2 Jan 15:04"
	}
	first := time.UnixMilli(d.from).In(d.chart.Zone)
	_, offset := first.Zone()
	ahead := int64(offset) * 1000 // so that marks are round by the clock on the wall
	for ms := (d.from+ahead+step-1)/step*step - ahead; ms <= d.to; ms += step {
		x := d.x(ms)
		d.add(`<path d="M%.1f %dV%d" stroke="%s"/>`, x, plotBottom, plotBottom+5, d.colors.Axis)
		d.add(`<text x="%.1f" y="%d" text-anchor="middle">%s</text>`, x, plotBottom+20, time.UnixMilli(ms).In(d.chart.Zone).Format(layout))
	}
	d.add(`<path d="M%d %dH%d" stroke="%s"/>`, plotLeft, plotBottom, d.right, d.colors.Axis)
}

// side writes one scale beside the plot, with lines across for the left one.
func (d *drawing) side(s scale, x, gap int, anchor string, across bool) {
	for i := 0; s.Low+float64(i)*s.Step <= s.High+s.Step/2; i++ {
		value := s.Low + float64(i)*s.Step
		y := d.y(s, value)
		if across && i > 0 {
			d.add(`<path d="M%d %.1fH%d" stroke="%s"/>`, plotLeft, y, d.right, d.colors.Grid)
		}
		d.add(`<text x="%d" y="%.1f" text-anchor="%s">%s</text>`, x+gap, y+4, anchor, words.Num(value))
	}
}

// line draws one row of values and a mark at each.
func (d *drawing) line(i int) {
	l, s := d.chart.Lines[i], d.chart.Left
	if l.Right {
		s = d.chart.Right
	}
	var path, marks strings.Builder
	for j, p := range l.Points {
		x, y := d.x(p.AtMs), d.y(s, p.Value)
		fmt.Fprintf(&path, "%c%.1f %.1f", "ML"[min(j, 1)], x, y)
		marks.WriteString(shapeAt(i, x, y))
	}
	d.add(`<path d="%s" fill="none" stroke="%s" stroke-width="2"%s/>`, path.String(), d.colors.Series[i], dashes[i])
	d.add(`<path d="%s" fill="%s"/>`, marks.String(), d.colors.Series[i])
}

// dashes tell the lines apart where no mark is near.
var dashes = [...]string{"", ` stroke-dasharray="7 4"`, ` stroke-dasharray="2 4"`}

// shapeAt is the mark of a line: a disc, a square or a diamond.
func shapeAt(i int, x, y float64) string {
	switch i {
	case 0:
		return fmt.Sprintf("M%.1f %.1fa4.5 4.5 0 1 0 9 0a4.5 4.5 0 1 0 -9 0z", x-4.5, y)
	case 1:
		return fmt.Sprintf("M%.1f %.1fh8v8h-8z", x-4, y-4)
	}
	return fmt.Sprintf("M%.1f %.1fl5.5 5.5l-5.5 5.5l-5.5 -5.5z", x, y-5.5)
}

// legend names the lines above the plot, each with its mark, in as many rows as it
// takes: the plot begins below them.
func (d *drawing) legend() string {
	var out strings.Builder
	x, y := float64(plotLeft), 20
	for i, l := range d.chart.Lines {
		wide := 60 + 7.2*float64(len([]rune(l.Name)))
		if i > 0 && x+wide > float64(d.colors.Width) {
			x, y = plotLeft, y+20
		}
		fmt.Fprintf(&out, `<path d="M%.1f %dh36" fill="none" stroke="%s" stroke-width="2"%s/><path d="%s" fill="%[3]s"/>`+"\n", x, y, d.colors.Series[i], dashes[i], shapeAt(i, x+18, float64(y)))
		fmt.Fprintf(&out, `<text x="%.1f" y="%d">%s</text>`+"\n", x+44, y+4, html.EscapeString(l.Name))
		x += wide
	}
	d.top = y + plotTop - 20
	return out.String()
}
