package owner

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/web/site"
	pb "thawtrail/proto/thawtrail/v1"
)

// TestUseBars adds up what was lost, and keeps the last groups.
func TestUseBars(t *testing.T) {
	use := &pb.ListUseResponse{}
	for i := range 3 * site.MaxBars {
		use.Rows = append(use.Rows, &pb.UseRow{Group: fmt.Sprint(i), Given: 4, Discarded: 1, Missing: 1})
	}
	given := useBars(use).Groups
	require.Len(t, given, site.MaxBars)
	require.Equal(t, fmt.Sprint(3*site.MaxBars-1), given[site.MaxBars-1].Name)
	require.Equal(t, []site.Bar{{Text: "4", Percent: "100.0%"}, {Text: "2", Percent: "50.0%", Hollow: true}}, given[0].Bars)
	require.Empty(t, useBars(&pb.ListUseResponse{}).Groups)
}
