package barn

import (
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/ledger"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
)

// TestIggBars leaves out what was not measured as a number.
func TestIggBars(t *testing.T) {
	c := iggBars([]ledger.IggTest{{IggCgPerL: new(int32(355))}, {NeverSucked: true}, {Recheck: true, IggCgPerL: new(int32(710))}})
	require.Equal(t, []site.BarGroup{
		{Name: words.Say("chart.before"), Bars: []site.Bar{{Text: "3.55", Percent: "50.0%"}}},
		{Name: words.Say("chart.after"), Bars: []site.Bar{{Text: "7.1", Percent: "100.0%"}}},
	}, c.Groups)
}
