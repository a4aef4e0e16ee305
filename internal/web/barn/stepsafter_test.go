package barn

import (
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/ledger"
	"thawtrail/internal/web/caseview"
)

// The IgG that the share found rests on is that of what ran, by its mL, and not that of
// the best bag of the case.
func TestTheIggOfWhatWasGiven(t *testing.T) {
	bag := func(igg, ml int32) *caseview.Bag {
		b := &caseview.Bag{IggCgPerL: igg}
		if ml > 0 {
			b.T = &ledger.Transfusion{GivenMl: ml}
		}
		return b
	}
	require.InDelta(t, 16, givenIggGPerL([]*caseview.Bag{bag(1600, 900), bag(2400, 0)}), 1e-9, "a bag that was not given")
	require.InDelta(t, 18, givenIggGPerL([]*caseview.Bag{bag(1600, 750), bag(2400, 250)}), 1e-9)
	require.Zero(t, givenIggGPerL([]*caseview.Bag{bag(1600, 900), bag(0, 400)}), "one is not known")
	require.Zero(t, givenIggGPerL(nil))
}
