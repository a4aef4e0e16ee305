package engine

import (
	"math"
	"slices"

	"thawtrail/internal/refusal"
)

// ThawRecord is one thaw of the practice: the middle estimate before anything
// was learned, and the minutes until it was found thawed by look and feel.
type ThawRecord struct {
	PredictedMinutes, ActualMinutes float64
}

// ThawLearned is what the practice's own thaws say: how many there are, and the
// factor on the middle estimate. Without records N is 0 and Factor 1.
type ThawLearned struct {
	N      int
	Factor float64
}

const (
	thawPriorWeight = 5   // records that weigh as much as the model (ours)
	thawMostFactor  = 3.0 // a record further off is a slip or a forgotten clock (ours)
	maxThawRecords  = 10000
)

var boundsThawMinutes = bounds{field: "recorded", unit: "min", hardLow: 0.1, hardHigh: 1440, hint: "minutes, not hours"}

// LearnThaw takes the median of actual over predicted on a log scale, each
// clipped to a third and three times, and shrinks it to 1 by n/(n+5). A single
// odd record moves it little, and no number of them moves it over three times.
func LearnThaw(records []ThawRecord) (ThawLearned, error) {
	if len(records) == 0 {
		return ThawLearned{Factor: 1}, nil
	}
	if len(records) > maxThawRecords {
		return ThawLearned{}, refusal.New("recorded", len(records), "at most 10000 records")
	}
	logs := make([]float64, len(records))
	for i, r := range records {
		for _, v := range []float64{r.PredictedMinutes, r.ActualMinutes} {
			if _, err := boundsThawMinutes.check(v); err != nil {
				return ThawLearned{}, err
			}
		}
		most := math.Log(thawMostFactor)
		logs[i] = min(max(math.Log(r.ActualMinutes/r.PredictedMinutes), -most), most)
	}
	slices.Sort(logs)
	n := len(logs)
	median := (logs[(n-1)/2] + logs[n/2]) / 2
	return ThawLearned{n, math.Exp(median * float64(n) / float64(n+thawPriorWeight))}, nil
}
