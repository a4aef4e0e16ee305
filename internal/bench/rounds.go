package bench

import (
	"slices"
	"time"
)

// rounds is how often a pair of ours and limit runs, in turn.
const rounds = 3

// inRounds is against for what was measured in rounds. The best of each counts, since
// what disturbs a run only ever makes it slower; beside it stand the median and how far
// the slowest lies from the best, which tell how much was disturbed.
func inRounds(name string, n int64, ours, limits []time.Duration, what string) Result {
	r := against(name, n, slices.Min(ours), slices.Min(limits), what)
	r.More["rounds"] = len(ours)
	r.More["median_seconds"], r.More["spread_pct"] = rounded(median(ours).Seconds()), spread(ours)
	r.More["limit_median_seconds"], r.More["limit_spread_pct"] = rounded(median(limits).Seconds()), spread(limits)
	return r
}

// spread is how much longer the slowest took than the fastest, in percent.
func spread(times []time.Duration) int64 {
	least := max(slices.Min(times), 1)
	return int64((slices.Max(times) - least) * 100 / least)
}
