package clinic

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/web/site"
)

// TestExpiryBarsAreBounded keeps the months that come first.
func TestExpiryBarsAreBounded(t *testing.T) {
	var months []monthRow
	for i := range 3 * site.MaxBars {
		months = append(months, monthRow{fmt.Sprint(i), 1})
	}
	expiring := expiryBars(months).Groups
	require.Len(t, expiring, site.MaxBars)
	require.Equal(t, "0", expiring[0].Name)
}
