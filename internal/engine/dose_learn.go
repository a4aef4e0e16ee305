package engine

import "thawtrail/internal/refusal"

// OwnShare is what a practice's own rechecks say of the share of the given IgG that is
// found: how many foals were measured, and the median of their shares (Response).
type OwnShare struct {
	N      int
	Median float64
}

const (
	sharePriorWeight = 10     // foals that weigh as much as the published middle (ours)
	maxShareFoals    = 100000 // more than any practice measures
)

var boundsOwnShare = bounds{field: "own_share_median", unit: "of 1", hardLow: -5, hardHigh: 10, hint: "a share: 0.7 is 70 %"}

// LearnShare moves the middle of the share found towards the practice's own median, by
// n/(n+10), and never out of the published range. The ends stay as published: a
// practice's foals are few and ill in their own way, and a wrong middle is worth less
// than an honest width.
func LearnShare(own OwnShare) (Range, error) {
	if own.N < 1 || own.N > maxShareFoals {
		return Range{}, refusal.New("own_share_n", own.N, "1 to 100000 foals")
	}
	if _, err := boundsOwnShare.check(own.Median); err != nil {
		return Range{}, err
	}
	share := defaultShareFound
	n := float64(own.N)
	moved := share.Mid + (own.Median-share.Mid)*n/(n+sharePriorWeight)
	share.Mid = min(max(moved, share.Low), share.High)
	return share, nil
}

// ownShare reads the practice's own share and says what it moved.
func (c *inputs) ownShare(own OwnShare) Range {
	share, err := LearnShare(own)
	if err != nil {
		if c.err == nil {
			c.err = err
		}
		return defaultShareFound
	}
	c.basis.step("share found = %s + (%s - %s) x %s / (%s + %s) = %s, by %s foals of this practice, never outside %s to %s",
		defaultShareFound.Mid, own.Median, defaultShareFound.Mid, own.N, own.N, sharePriorWeight, share.Mid, own.N, share.Low, share.High)
	return share
}
