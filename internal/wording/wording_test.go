package wording_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/wording"
)

// Below nought a tenth has one sign.
func TestTenths(t *testing.T) {
	for v, want := range map[int32]string{-185: "-18.5", -5: "-0.5", 0: "0.0", 7: "0.7", 450: "45.0"} {
		require.Equal(t, want, wording.Tenths(v))
	}
}
