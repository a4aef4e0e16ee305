package site

import (
	"fmt"

	"thawtrail/internal/web/words"
)

// BarChart is groups of bars, one below the other. Names and numbers are text of
// the page, so that they keep their size on a phone; only the bars are drawn. All
// share one scale that begins at nothing.
type BarChart struct {
	Alt    string   // what there is to see, for who cannot see it
	Names  []string // of the values of a group: the first is drawn full, the second hollow
	Groups []BarGroup
}

// BarGroup is the bars of one name.
type BarGroup struct {
	Name string
	Bars []Bar
}

// Bar is one value.
type Bar struct {
	Text    string
	Percent string // of the room for bars
	Hollow  bool
}

// BarValues is a group before it is drawn: one value for each name of the chart.
type BarValues struct {
	Name   string
	Values []float64
}

const (
	// MaxBars bounds the groups that one chart shows; the table has all.
	MaxBars = 24
	// leastBar shows that something is little and not nothing, in percent.
	leastBar = 0.5
)

// DrawBars lays groups out on one scale.
func DrawBars(alt string, names []string, groups []BarValues) BarChart {
	c, most := BarChart{Alt: alt, Names: names}, 0.0
	for _, g := range groups {
		for _, v := range g.Values {
			most = max(most, v)
		}
	}
	for _, g := range groups {
		drawn := BarGroup{Name: g.Name}
		for i, v := range g.Values {
			percent := 0.0
			if v > 0 {
				percent = max(leastBar, v/most*100)
			}
			drawn.Bars = append(drawn.Bars, Bar{Text: words.Num(v), Percent: fmt.Sprintf("%.1f%%", percent), Hollow: i > 0})
		}
		c.Groups = append(c.Groups, drawn)
	}
	return c
}

// BandChart is a row of bands on one scale that begins at nothing: from a low to a high
// value, with a mark at the mean. As with bars, names and numbers are text of the page.
type BandChart struct {
	Alt   string
	Names []string // of the band, and of the mark
	Bands []Band
}

// Band is one row, as drawn. Numbers are in percent of the room.
type Band struct{ Name, Text, From, Wide, Mark string }

// BandValues is a row before it is drawn.
type BandValues struct {
	Name, Text      string
	Low, Mean, High float64
}

// DrawBands lays rows out on one scale.
func DrawBands(alt string, names []string, rows []BandValues) BandChart {
	c, most := BandChart{Alt: alt, Names: names}, 0.0
	for _, r := range rows {
		most = max(most, r.High, r.Mean)
	}
	percent := func(v float64) string {
		if most == 0 {
			return "0%"
		}
		return fmt.Sprintf("%.1f%%", v/most*100)
	}
	for _, r := range rows {
		c.Bands = append(c.Bands, Band{Name: r.Name, Text: r.Text, From: percent(r.Low), Wide: percent(r.High - r.Low), Mark: percent(r.Mean)})
	}
	return c
}
