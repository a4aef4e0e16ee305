package engine

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"thawtrail/internal/testrun"
)

func TestDemandIsTheSmallestThatServes(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 150).Draw(t, "n")
		rate, service := rapid.Float64Range(0.01, 0.99).Draw(t, "rate"), rapid.Float64Range(0.01, 0.999).Draw(t, "service")
		r, err := Demand(DemandInput{Foals: n, FailureRate: rate, Service: service})
		require.NoError(t, err)
		k := r.FoalsCovered
		require.GreaterOrEqual(t, binomialUpTo(n, k, rate), service-1e-9)
		if k > 0 {
			require.Less(t, binomialUpTo(n, k-1, rate), service+1e-9)
		}
	})
}

// The twin adds the shortage day by day.
func TestSteadyDemandShortage(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		mean, service := rapid.Float64Range(0.05, 60).Draw(t, "mean"), rapid.Float64Range(0.01, 0.999).Draw(t, "service")
		r, err := SteadyDemand(SteadyDemandInput{Mean: mean, Service: service})
		require.NoError(t, err)
		p, upTo, short := math.Exp(-mean), 0.0, 0.0
		for k := 0; k < 300; k++ {
			if k <= r.Stock {
				upTo += p
			} else {
				short += float64(k-r.Stock) * p
			}
			p *= mean / float64(k+1)
		}
		require.InDelta(t, upTo, r.Probability, 1e-9)
		require.InDelta(t, short, r.ExpectedShort, 1e-7)
		require.GreaterOrEqual(t, r.Probability, service-1e-12)
	})
}

func TestFailureRateFromPrintAndOwnTests(t *testing.T) {
	// Moments of the rows: by Python's statistics module.
	r, err := FailureRate(FailureRateInput{Cut: FailureUnder8})
	require.NoError(t, err)
	require.InDelta(t, 1.511034, r.Alpha, 1e-5)
	require.InDelta(t, 5.415019, r.Beta, 1e-5)
	require.InDelta(t, 0.218167, r.Rate.Mid, 1e-5)
	r, err = FailureRate(FailureRateInput{Cut: FailureUnder4})
	require.NoError(t, err)
	require.InDelta(t, 1.165906, r.Alpha, 1e-5)
	require.InDelta(t, 12.596900, r.Beta, 1e-5)

	// 109 of 535 (Gallacher et al., Equine Vet J 2025): so many tests of one's own
	// outweigh the print, and the interval is near the exact one of these tests.
	r, err = FailureRate(FailureRateInput{Cut: FailureUnder8, Tested: 535, Under: 109})
	require.NoError(t, err)
	exact, err := Interval(IntervalInput{Events: 109, Trials: 535})
	require.NoError(t, err)
	require.InDelta(t, 0.204, r.Rate.Mid, 1e-3)
	require.InDelta(t, exact.Low, r.Rate.Low, 3e-3)
	require.InDelta(t, exact.High, r.Rate.High, 3e-3)
	require.Empty(t, r.Cautions)

	r, err = FailureRate(FailureRateInput{Cut: FailureUnder8, Tested: 20, Under: 18})
	require.NoError(t, err)
	require.Contains(t, codes(r.Cautions), "own_rate_far_from_print")
	_, err = FailureRate(FailureRateInput{Cut: 5})
	refused(t, err, "cut")
	_, err = FailureRate(FailureRateInput{Cut: FailureUnder8, Tested: 3, Under: 4})
	refused(t, err, "under")
}

// sure is a mare who foals on a day, as good as certainly.
func sure(day float64) MareDue { return MareDue{DueDays: day, SpreadDays: 0.5} }

func TestDemandWeeksHasItsClosedForms(t *testing.T) {
	mares := make([]MareDue, 40)
	for i := range mares {
		mares[i] = sure(3.5)
	}
	// The share as good as known: the binomial of Demand, 12 of 40 foals at 0.204.
	r, err := DemandWeeks(DemandWeeksInput{Mares: mares, Alpha: 0.204e6, Beta: 0.796e6, Weeks: 2})
	require.NoError(t, err)
	require.Equal(t, 12, r.Weeks[0].AtLeast(0.95))
	require.InDelta(t, 40, r.Weeks[0].Foals, 1e-6)
	for k := range r.Weeks[0].Chance {
		require.InDelta(t, binomialUpTo(40, k, 0.204)-binomialUpTo(40, k-1, 0.204), r.Weeks[0].Chance[k], 1e-5)
	}
	require.Equal(t, 0, r.Weeks[1].AtLeast(0.99))

	// Any share alike likely: every number of foals is alike likely (Bayes 1763).
	r, err = DemandWeeks(DemandWeeksInput{Mares: mares, Alpha: 1, Beta: 1, Weeks: 1})
	require.NoError(t, err)
	for _, p := range r.Weeks[0].Chance {
		require.InDelta(t, 1.0/41, p, 1e-9)
	}

	// Until a day that ends a week it is that week's.
	r, err = DemandWeeks(DemandWeeksInput{Mares: mares[:5], Alpha: 2, Beta: 3, OtherAWeek: 1, Weeks: 2})
	require.NoError(t, err)
	until, err := DemandUntil(DemandWeeksInput{Mares: mares[:5], Alpha: 2, Beta: 3, OtherAWeek: 1}, 14)
	require.NoError(t, err)
	require.Equal(t, r.UpTo[1], until)
	_, err = DemandUntil(DemandWeeksInput{Alpha: 2, Beta: 3}, 0)
	refused(t, err, "days")

	// Other uses alone: Poisson.
	r, err = DemandWeeks(DemandWeeksInput{Alpha: 1, Beta: 1, OtherAWeek: 2, Weeks: 2})
	require.NoError(t, err)
	steady, err := SteadyDemand(SteadyDemandInput{Mean: 4, Service: 0.8})
	require.NoError(t, err)
	require.Equal(t, steady.Stock, r.UpTo[1].AtLeast(0.8))
	require.InDelta(t, steady.ExpectedShort, r.UpTo[1].Short(steady.Stock), 1e-9)
}

// The twin goes through every way in which a few mares can foal, need plasma and
// take bags.
func TestDemandWeeksAgainstEveryWay(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		in := DemandWeeksInput{Weeks: 2, BagsPerFoal: []float64{0.1, 0.6, 0.3},
			Alpha: float64(rapid.IntRange(1, 6).Draw(t, "alpha")), Beta: float64(rapid.IntRange(1, 6).Draw(t, "beta"))}
		for range rapid.IntRange(0, 4).Draw(t, "mares") {
			in.Mares = append(in.Mares, MareDue{DueDays: rapid.Float64Range(-20, 60).Draw(t, "due"), SpreadDays: rapid.Float64Range(3, 15).Draw(t, "spread"), Elsewhere: rapid.SampledFrom([]float64{0, 0, 0.3, 1}).Draw(t, "elsewhere")})
		}
		r, err := DemandWeeks(in)
		require.NoError(t, err)
		for _, span := range append(r.Weeks, r.UpTo...) {
			want := make([]float64, 2*len(in.Mares)+1)
			// The chance that of those who foal exactly the first k need plasma is
			// B(a+k, b+n-k) / B(a, b), by rising products.
			var walk func(i, foals, need, bags int, p float64)
			walk = func(i, foals, need, bags int, p float64) {
				if i == len(in.Mares) {
					for j := range need {
						p *= (in.Alpha + float64(j)) / (in.Alpha + in.Beta + float64(j))
					}
					for j := range foals - need {
						p *= (in.Beta + float64(j)) / (in.Alpha + in.Beta + float64(need+j))
					}
					want[bags] += p
					return
				}
				foals1 := in.Mares[i].FoalsWithin(float64(span.FromDay), float64(span.ToDay)) * (1 - in.Mares[i].Elsewhere)
				walk(i+1, foals, need, bags, p*(1-foals1))
				walk(i+1, foals+1, need, bags, p*foals1)
				for n, chance := range in.BagsPerFoal {
					walk(i+1, foals+1, need+1, bags+n, p*foals1*chance)
				}
			}
			walk(0, 0, 0, 0, 1)
			for n, p := range want {
				got := 0.0
				if n < len(span.Chance) {
					got = span.Chance[n]
				}
				require.InDelta(t, p, got, 1e-9, "%d bags, %+v", n, span)
			}
		}
	})
}

func TestAMareThatHasNotFoaledFoals(t *testing.T) {
	m := MareDue{DueDays: 5, SpreadDays: 10}
	sum := 0.0
	for day := range 200 {
		sum += m.FoalsWithin(float64(day), float64(day+1))
	}
	require.InDelta(t, 1, sum, 1e-9)
	late := MareDue{DueDays: -110, SpreadDays: 5}
	require.Equal(t, 1.0, late.FoalsWithin(0, 7))
	require.Equal(t, 0.0, late.FoalsWithin(7, 14))
	// 342.3 +/- 10.2 d puts 1.44 % of foals before day 320 (computed from the row of
	// 25 breeds).
	g := GestationOf("any other")
	early := MareDue{DueDays: g.MeanDays, SpreadDays: g.SpreadDays}
	require.InDelta(t, 0.0144, early.FoalsWithin(0, 320), 1e-4)
	require.Equal(t, []string{"heavy draft", "standardbred", "thoroughbred"}, GestationKinds())
	require.Equal(t, 334.9, GestationOf("heavy draft").MeanDays)
}

func TestDemandWeeksRefusesSlips(t *testing.T) {
	for field, in := range map[string]DemandWeeksInput{
		"weeks":          {Alpha: 1, Beta: 1},
		"due_days":       {Alpha: 1, Beta: 1, Weeks: 1, Mares: []MareDue{{DueDays: math.NaN(), SpreadDays: 1}}},
		"elsewhere":      {Alpha: 1, Beta: 1, Weeks: 1, Mares: []MareDue{{SpreadDays: 1, Elsewhere: 1.1}}},
		"spread_days":    {Alpha: 1, Beta: 1, Weeks: 1, Mares: []MareDue{{DueDays: 1}}},
		"alpha_and_beta": {Alpha: math.Inf(1), Beta: 1, Weeks: 1},
		"other_a_week":   {Alpha: 1, Beta: 1, Weeks: 1, OtherAWeek: -1},
		"bags_per_foal":  {Alpha: 1, Beta: 1, Weeks: 1, BagsPerFoal: []float64{0.5, 0.4}},
		"mares":          {Alpha: 1, Beta: 1, Weeks: 1, Mares: make([]MareDue, maxMares+1)},
	} {
		_, err := DemandWeeks(in)
		refused(t, err, field)
	}
}

// steadyWeeks is a demand of other uses alone.
func steadyWeeks(t require.TestingT, aWeek float64, weeks int) DemandWeeksResult {
	r, err := DemandWeeks(DemandWeeksInput{Alpha: 1, Beta: 1, OtherAWeek: aWeek, Weeks: weeks})
	require.NoError(t, err)
	return r
}

// Where what is short and what is left over are counted over one span, the level is
// that of the newsvendor (tables of Poisson demand, computed).
func TestLevelsAreTheNewsvendors(t *testing.T) {
	for _, row := range []struct {
		mean         float64
		short, spare int64
		hold         int
	}{
		{4, 8, 2, 6}, {4, 9, 1, 7}, {4, 95, 5, 8}, {4, 99, 1, 9},
		{2, 8, 2, 3}, {2, 9, 1, 4}, {2, 95, 5, 5}, {2, 99, 1, 6},
		{6, 8, 2, 8}, {6, 9, 1, 9}, {6, 95, 5, 10}, {6, 99, 1, 12},
	} {
		r, err := Levels(LevelsInput{UpTo: steadyWeeks(t, row.mean, 1).UpTo, LeadWeeks: 1, ShelfWeeks: 1, ShortMinor: row.short, WriteOffMinor: row.spare})
		require.NoError(t, err)
		require.Equal(t, row.hold, r.Hold, "%+v", row)
	}
	r, err := Levels(LevelsInput{UpTo: steadyWeeks(t, 4, 1).UpTo, LeadWeeks: 1, ShelfWeeks: 1, ShortMinor: 8, WriteOffMinor: 2, Has: 4})
	require.NoError(t, err)
	require.InDelta(t, 0.19543, r.Levels[6].Short, 1e-4)
	require.Equal(t, 2, r.Order)
	require.Contains(t, codes(r.Cautions), "prices_of_shortage_are_a_choice")
}

func TestAnOrderIsDueInTime(t *testing.T) {
	weeks := steadyWeeks(t, 1, 12)
	due := func(has int) int {
		r, err := Levels(LevelsInput{UpTo: weeks.UpTo, LeadWeeks: 2, ShelfWeeks: 12, ShortMinor: 9, WriteOffMinor: 1, Has: has})
		require.NoError(t, err)
		return r.OrderInWeeks
	}
	require.Equal(t, 0, due(0))
	// Seven bags are enough for Poisson means up to 4 at 0.9 (table), not for 5: so
	// they last until the end of week 4, and what is ordered comes after two.
	require.Equal(t, 2, due(7))
	require.Equal(t, 12, due(60))
}

func TestLevelsRefuseSlips(t *testing.T) {
	up := steadyWeeks(t, 1, 3).UpTo
	for field, in := range map[string]LevelsInput{
		"weeks":           {LeadWeeks: 1, ShelfWeeks: 1, ShortMinor: 1, WriteOffMinor: 1},
		"lead_weeks":      {UpTo: up, LeadWeeks: 4, ShelfWeeks: 4, ShortMinor: 1, WriteOffMinor: 1},
		"shelf_weeks":     {UpTo: up, LeadWeeks: 2, ShelfWeeks: 1, ShortMinor: 1, WriteOffMinor: 1},
		"has":             {UpTo: up, LeadWeeks: 1, ShelfWeeks: 1, ShortMinor: 1, WriteOffMinor: 1, Has: -1},
		"short_minor":     {UpTo: up, LeadWeeks: 1, ShelfWeeks: 1, WriteOffMinor: 1},
		"write_off_minor": {UpTo: up, LeadWeeks: 1, ShelfWeeks: 1, ShortMinor: 1, WriteOffMinor: -5},
	} {
		_, err := Levels(in)
		refused(t, err, field)
	}
}

// The twin lets every demand of three weeks happen to a queue of bags.
func TestWriteOffsAgainstAQueue(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		expiring := rapid.SliceOfN(rapid.IntRange(0, 3), 3, 3).Draw(t, "expiring")
		weeks := make([]SpanDemand, 3)
		for w := range weeks {
			a, b := rapid.Float64Range(0, 1).Draw(t, "a"), rapid.Float64Range(0, 1).Draw(t, "b")
			weeks[w].Chance = []float64{a * b, a * (1 - b), 0, 1 - a}
		}
		want := make([]float64, 3)
		for ways := range 64 {
			wants := []int{ways % 4, ways / 4 % 4, ways / 16}
			p := weeks[0].Chance[wants[0]] * weeks[1].Chance[wants[1]] * weeks[2].Chance[wants[2]]
			bags := append([]int(nil), expiring...)
			for w, wanted := range wants {
				for i := range bags {
					used := min(bags[i], wanted)
					bags[i], wanted = bags[i]-used, wanted-used
				}
				want[w] += p * float64(bags[w])
				bags[w] = 0
			}
		}
		got, err := WriteOffs(weeks, expiring)
		require.NoError(t, err)
		require.InDeltaSlice(t, want, got, 1e-9)
	})
	_, err := WriteOffs(nil, []int{1})
	refused(t, err, "weeks")
	_, err = WriteOffs(make([]SpanDemand, 1), []int{-1})
	refused(t, err, "expiring")
}

// The twin tries every way to share out.
func TestSplitIsTheBestOfAll(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		in := SplitInput{Bags: rapid.IntRange(0, 7).Draw(t, "bags"), Kits: rapid.IntRange(0, 5).Draw(t, "kits"), BagsPerNight: rapid.IntRange(1, 2).Draw(t, "per night")}
		for range 3 {
			in.Places = append(in.Places, SpanDemand{Chance: poissonChances(rapid.Float64Range(0.05, 3).Draw(t, "mean"))})
		}
		r, err := Split(in)
		require.NoError(t, err)
		without := func(place, bags, kits int) float64 {
			return in.Places[place].Short(min(bags/in.BagsPerNight, kits))
		}
		best := math.Inf(1)
		for a := range in.Bags + 1 {
			for b := range in.Bags - a + 1 {
				for x := range in.Kits + 1 {
					for y := range in.Kits - x + 1 {
						best = min(best, without(0, a, x)+without(1, b, y)+without(2, in.Bags-a-b, in.Kits-x-y))
					}
				}
			}
		}
		require.InDelta(t, best, r.NightsWithout, 1e-9)
		bags, kits, sum := 0, 0, 0.0
		for i, s := range r.Shares {
			bags, kits, sum = bags+s.Bags, kits+s.Kits, sum+without(i, s.Bags, s.Kits)
		}
		require.Equal(t, []int{in.Bags, in.Kits}, []int{bags, kits}, "all is shared out")
		require.InDelta(t, r.NightsWithout, sum, 1e-9, "what is said of the shares is what they give")
	})
	_, err := Split(SplitInput{BagsPerNight: 1})
	refused(t, err, "places")
	_, err = Split(SplitInput{Places: make([]SpanDemand, 1), BagsPerNight: 1})
	refused(t, err, "nights")
}

// A large stud is answered while a person waits.
func BenchmarkDemandWeeks(b *testing.B) {
	in := DemandWeeksInput{Alpha: 1.5, Beta: 5.4, BagsPerFoal: []float64{0, 0.5, 0.5}, OtherAWeek: 2, Weeks: 52}
	for i := range 300 {
		in.Mares = append(in.Mares, MareDue{DueDays: float64(i % 120), SpreadDays: 10.2})
	}
	for b.Loop() {
		_, err := DemandWeeks(in)
		require.NoError(b, err)
	}
}
