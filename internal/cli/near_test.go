package cli

import (
	"testing"

	"github.com/stretchr/testify/require"
)

func TestSlipsBetween(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want int
	}{
		{"", "", 0}, {"", "bag", 3}, {"bag", "", 3}, {"stock", "stock", 0}, {"stokc", "stock", 1}, {"stcok", "stock", 1},
		{"stck", "stock", 1}, {"stoock", "stock", 1}, {"stack", "stock", 1}, {"recieve", "receive", 1}, {"vitlas", "vitals", 1}, {"vtalss", "vitals", 2},
	} {
		require.Equal(t, c.want, slipsBetween(c.a, c.b), "%s for %s", c.a, c.b)
		require.Equal(t, c.want, slipsBetween(c.b, c.a))
	}
}
