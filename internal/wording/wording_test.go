package wording_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/ledger"
	"thawtrail/internal/wording"
)

// Below nought a tenth has one sign.
func TestTenths(t *testing.T) {
	for v, want := range map[int32]string{-185: "-18.5", -5: "-0.5", 0: "0.0", 7: "0.7", 450: "45.0"} {
		require.Equal(t, want, wording.Tenths(v))
	}
}

func TestABoxIsNotToldTwice(t *testing.T) {
	for typed, want := range map[string]string{"4": "box 4", "B2": "box B2", "12a": "box 12a", "box 4": "box 4", "Box 4": "Box 4", "paddock 2": "paddock 2"} {
		require.Equal(t, want, wording.PatientMarks(&ledger.Patient{Box: typed}))
	}
}
