package site

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// TestBarsShareOneScale compares lengths across groups and names: half as much is
// half as long, nothing is no bar, and little is seen.
func TestBarsShareOneScale(t *testing.T) {
	c := DrawBars("use", []string{"given", "thrown away"}, []BarValues{
		{"Truck", []float64{2000, 500}}, {"Van", []float64{1000, 0}}, {"Clinic", []float64{1, 0}},
	})
	require.Equal(t, []BarGroup{
		{"Truck", []Bar{{"2000", "100.0%", false}, {"500", "25.0%", true}}},
		{"Van", []Bar{{"1000", "50.0%", false}, {"0", "0.0%", true}}},
		{"Clinic", []Bar{{"1", "0.5%", false}, {"0", "0.0%", true}}},
	}, c.Groups)
	none := DrawBars("use", []string{"given"}, []BarValues{{"Van", []float64{0}}})
	require.Equal(t, "0.0%", none.Groups[0].Bars[0].Percent, "nothing at all divides by nothing")
}
