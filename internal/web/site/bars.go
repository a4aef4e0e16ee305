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
