package bench

import (
	"slices"
	"time"
)

// percentile is the nearest-rank percentile.
func percentile(times []time.Duration, p int) time.Duration {
	if len(times) == 0 {
		return 0
	}
	sorted := slices.Sorted(slices.Values(times))
	rank := (p*len(sorted) + 99) / 100
	return sorted[max(rank, 1)-1]
}

func median(times []time.Duration) time.Duration { return percentile(times, 50) }

func ms(d time.Duration) float64 { return float64(d) / 1e6 }
