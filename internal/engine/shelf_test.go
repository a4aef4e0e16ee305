package engine

import (
	"slices"
	"strings"
	"testing"
	"time"
	_ "time/tzdata" // the zones below must be there on any machine

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"thawtrail/internal/testrun"
)

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	require.NoError(t, err)
	return z
}

func instant(t testing.TB, rfc3339 string) time.Time {
	t.Helper()
	at, err := time.Parse(time.RFC3339, rfc3339)
	require.NoError(t, err)
	return at
}

func TestExpiryTexts(t *testing.T) {
	on := instant(t, "2026-03-01T12:00:00Z")
	for _, row := range published(t, "shelf_expiry.csv") {
		day, _, err := ReadExpiry(row["text"], on)
		if row["date"] == "" {
			refused(t, err, "expiry")
			continue
		}
		require.NoError(t, err, row)
		assert.Equal(t, row["date"], day.Last().String(), row)
	}
}

func TestThawClockCountsElapsedHoursOverDst(t *testing.T) {
	ny := zone(t, "America/New_York")
	thawed := time.Date(2026, 3, 7, 20, 0, 0, 0, ny)
	r, err := Shelf(ShelfInput{Expiry: "2027-01", ThawedAt: thawed, KeptAtC: new(4.0), At: thawed, Zone: ny})
	require.NoError(t, err)
	assert.Equal(t, "2026-03-08T21:00:00-04:00", r.UseBy.Format(time.RFC3339), "24 h elapsed, not 20:00")
	assert.Equal(t, ShelfThawed, r.State)
	assert.Contains(t, r.Because[len(r.Because)-1], "good until Sun 2026-03-08 21:00 EDT, because 24 h after complete thaw, kept at 4 C")
}

func TestShelfClocks(t *testing.T) {
	ny := zone(t, "America/New_York")
	start := instant(t, "2026-03-10T02:00:00-04:00")
	done, hung := start.Add(50*time.Minute), start.Add(90*time.Minute)
	for name, c := range map[string]struct {
		in   ShelfInput
		want time.Time
	}{
		"kept temperature unknown, from complete thaw": {ShelfInput{ThawStartedAt: start, ThawedAt: done}, done.Add(4 * time.Hour)},
		"from the start when the end was not noted":    {ShelfInput{ThawStartedAt: start}, start.Add(4 * time.Hour)},
		"fridge":                          {ShelfInput{ThawedAt: done, KeptAtC: new(6.0)}, done.Add(24 * time.Hour)},
		"a little over the fridge":        {ShelfInput{ThawedAt: done, KeptAtC: new(6.1)}, done.Add(4 * time.Hour)},
		"a set ends it sooner":            {ShelfInput{ThawedAt: done, KeptAtC: new(4.0), SetAttachedAt: hung}, hung.Add(4 * time.Hour)},
		"the thaw clock before the set's": {ShelfInput{ThawedAt: done, SetAttachedAt: hung}, done.Add(4 * time.Hour)},
		"a stricter card wins":            {ShelfInput{ThawedAt: done, CardUseByHours: new(2.0)}, done.Add(2 * time.Hour)},
		"a looser card does not":          {ShelfInput{ThawedAt: done, CardUseByHours: new(48.0)}, done.Add(4 * time.Hour)},
		"the label's day before the thaw's": {ShelfInput{Expiry: "2026-03-10", ThawedAt: done, KeptAtC: new(4.0)},
			instant(t, "2026-03-10T23:59:59-04:00")},
	} {
		c.in.At, c.in.Zone = start, ny
		r, err := Shelf(c.in)
		require.NoError(t, err, name)
		assert.True(t, c.want.Equal(r.UseBy), "%s: %s, want %s", name, r.UseBy, c.want)
	}
}

func TestShelfStatesHoldAtOnceGravestFirst(t *testing.T) {
	now := instant(t, "2026-03-10T12:00:00Z")
	r, err := Shelf(ShelfInput{
		Expiry: "2026-03-09", ThawedAt: now.Add(-6 * time.Hour), SetAttachedAt: now.Add(-5 * time.Hour), RefrozenAt: now.Add(-time.Hour),
		Held: true, Quarantined: true, QuarantineBecause: []string{"vehicle freezer off 01:00 to 05:00"},
		UnfitBecause: []string{"port cracked"}, At: now, Zone: time.UTC,
	})
	require.NoError(t, err)
	assert.Equal(t, []ShelfState{ShelfUnfit, ShelfOnHold, ShelfQuarantined, ShelfExpired, ShelfSetAttached, ShelfThawed}, r.States)
	assert.Equal(t, ShelfUnfit, r.State)
	for i, part := range []string{"unfit: refrozen", "unfit: port cracked", "on hold: a hold stands", "quarantined: vehicle freezer off",
		"expired: good until Mon 2026-03-09 23:59 UTC, because the label's expiry is 2026-03-09",
		"expired: good until Tue 2026-03-10 10:00 UTC, because 4 h after complete thaw",
		"expired: good until Tue 2026-03-10 11:00 UTC, because 4 h after the set was attached", "set attached: ", "thawed: softened once"} {
		assert.Contains(t, r.Because[i], part)
	}
	assert.Equal(t, "2026-03-09T23:59:59Z", r.UseBy.Format(time.RFC3339), "the earliest clock")
}

func TestShelfFrozenAndItsLastDay(t *testing.T) {
	for _, c := range []struct {
		at    string
		state ShelfState
	}{{"2027-04-03T23:59:59+10:00", ShelfFrozen}, {"2027-04-03T23:59:59.9+10:00", ShelfFrozen}, {"2027-04-04T00:00:00+10:00", ShelfExpired}} {
		r, err := Shelf(ShelfInput{Expiry: "2027-04-03", At: instant(t, c.at), Zone: zone(t, "Australia/Brisbane")})
		require.NoError(t, err)
		assert.Equal(t, c.state, r.State, c.at)
	}
	r, err := Shelf(ShelfInput{Expiry: "270403", At: instant(t, "2027-01-01T00:00:00-05:00")})
	require.NoError(t, err)
	assert.Equal(t, "2027-04-03T23:59:59-05:00", r.UseBy.Format(time.RFC3339))
	assert.Equal(t, []string{"zone_not_given", "expiry_read_as_gs1"}, codes(r.Cautions))
}

func TestSoftenedNeverBecomesFrozenAgain(t *testing.T) {
	now := instant(t, "2026-03-10T12:00:00Z")
	soft, err := Shelf(ShelfInput{Expiry: "2027-04-03", Softened: true, At: now, Zone: time.UTC})
	require.NoError(t, err)
	assert.Equal(t, []ShelfState{ShelfQuarantined, ShelfThawed}, soft.States)
	assert.True(t, soft.UseBy.IsZero(), "the label's day would promise too much")
	assert.Contains(t, codes(soft.Cautions), "thaw_time_unknown")
	refrozen, err := Shelf(ShelfInput{Expiry: "2027-04-03", Refrozen: true, At: now, Zone: time.UTC})
	require.NoError(t, err)
	assert.Equal(t, []ShelfState{ShelfUnfit, ShelfThawed}, refrozen.States)
	held, err := Shelf(ShelfInput{Expiry: "2027-04-03", HeldBecause: []string{"maker's letter"}, At: now, Zone: time.UTC})
	require.NoError(t, err)
	assert.Equal(t, []string{"on hold: maker's letter", "frozen: no softening is known",
		"not to be given as it stands; its use-by is Sat 2027-04-03 23:59 UTC, because the label's expiry is 2027-04-03"}, held.Because)
}

func TestShelfRefusalsAndDoubts(t *testing.T) {
	now := instant(t, "2026-03-10T12:00:00Z")
	_, err := Shelf(ShelfInput{Expiry: "03/04/27", At: now, Zone: time.UTC})
	assertRefused(t, err, "expiry", "order of day and month")
	_, err = Shelf(ShelfInput{KeptAtC: new(98.6), At: now})
	assertRefused(t, err, "kept_at_c", "Fahrenheit")
	_, err = Shelf(ShelfInput{Expiry: "2027-04"})
	assertRefused(t, err, "at", "date and time")
	_, err = Shelf(ShelfInput{ThawedAt: time.Date(26, 3, 10, 0, 0, 0, 0, time.UTC), At: now})
	assertRefused(t, err, "thawed_at", "check the year")
	r, err := Shelf(ShelfInput{ThawStartedAt: now.Add(2 * time.Hour), ThawedAt: now.Add(time.Hour), KeptAtC: new(-2.0), CardUseByHours: new(9.0), At: now})
	require.NoError(t, err)
	assert.Equal(t, []string{"time_is_ahead", "time_is_ahead", "times_out_of_order", "expiry_unknown", "kept_near_freezing", "card_looser_than_default"}, codes(r.Cautions))
	assert.Equal(t, ShelfThawed, r.State)
}

func TestShelfWarmTimesWaitForAPerson(t *testing.T) {
	now := instant(t, "2026-03-10T12:00:00Z")
	for _, c := range []struct {
		warm  Excursion
		want  []ShelfState
		class ExcursionClass
	}{
		{Excursion{40, -6, true}, []ShelfState{ShelfQuarantined, ShelfFrozen}, ExcursionExempt},
		{Excursion{73, -6, true}, []ShelfState{ShelfQuarantined, ShelfFrozen}, ExcursionSalvaged},
		{Excursion{1, -25, true}, []ShelfState{ShelfFrozen}, ExcursionNone},
		{Excursion{3, 12, false}, []ShelfState{ShelfQuarantined, ShelfThawed}, ExcursionBeyond},
	} {
		r, err := Shelf(ShelfInput{Expiry: "2027-04", Warm: []Excursion{c.warm}, At: now, Zone: time.UTC})
		require.NoError(t, err)
		assert.Equal(t, c.want, r.States, "%v", c.warm)
		assert.Equal(t, c.class, r.SourcePlasmaClass, "%v", c.warm)
		assert.Contains(t, strings.Join(r.Steps, " "), ExcursionNotice)
	}
	_, err := Shelf(ShelfInput{Warm: []Excursion{{-1, -6, true}}, At: now})
	refused(t, err, "warm")
}

// dayStart is where Shelf lets the day before end.
func dayStart(t require.TestingT, y int, m time.Month, d int, z *time.Location) time.Time {
	eve := time.Date(y, m, d-1, 0, 0, 0, 0, time.UTC)
	r, err := Shelf(ShelfInput{Expiry: eve.Format(time.DateOnly), At: eve, Zone: z})
	require.NoError(t, err)
	return r.UseBy.Add(time.Second)
}

// Where midnight is missing, comes twice, or the whole day is missing.
func TestDayStartAtOddMidnights(t *testing.T) {
	for _, c := range []struct {
		zone       string
		y, m, d    int
		start, why string
	}{
		{"America/New_York", 2026, 3, 9, "2026-03-09T04:00:00Z", "plain"},
		{"America/Sao_Paulo", 2018, 11, 4, "2018-11-04T03:00:00Z", "00:00 jumps to 01:00"},
		{"America/Sao_Paulo", 2018, 2, 18, "2018-02-18T03:00:00Z", "24:00 falls back to 23:00 of the day before"},
		{"America/Havana", 2026, 11, 1, "2026-11-01T04:00:00Z", "01:00 falls back to 00:00: the first midnight"},
		{"Africa/Cairo", 2026, 4, 24, "2026-04-23T22:00:00Z", "00:00 jumps to 01:00"},
		{"America/St_Johns", 2006, 10, 29, "2006-10-29T03:30:00Z", "00:01 falls back to 23:01: the date returns for 59 minutes"},
		{"Pacific/Apia", 2011, 12, 30, "2011-12-30T10:00:00Z", "the 30th was left out"},
		{"Pacific/Kiritimati", 2026, 1, 1, "2025-12-31T10:00:00Z", "UTC+14"},
	} {
		z := zone(t, c.zone)
		assert.Equal(t, c.start, dayStart(t, c.y, time.Month(c.m), c.d, z).UTC().Format(time.RFC3339), "%s: %s", c.zone, c.why)
	}
}

// dayStartSlow looks at every minute (zones change on whole minutes since 1990) for the last one that is before the day.
func dayStartSlow(y int, m time.Month, d int, z *time.Location) time.Time {
	want := time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
	for at := want.Add(20 * time.Hour); ; at = at.Add(-time.Minute) {
		ly, lm, ld := at.Add(-time.Minute).In(z).Date()
		if time.Date(ly, lm, ld, 0, 0, 0, 0, time.UTC).Before(want) {
			return at
		}
	}
}

func TestDayStartAgainstEveryMinute(t *testing.T) {
	zones := []string{"America/Sao_Paulo", "America/Havana", "America/St_Johns", "Africa/Cairo", "Asia/Beirut", "America/Asuncion", "Europe/London", "Australia/Lord_Howe", "Asia/Tehran"}
	testrun.Check(t, func(t *rapid.T) {
		z, err := time.LoadLocation(rapid.SampledFrom(zones).Draw(t, "zone"))
		require.NoError(t, err)
		day := time.Date(1991, 1, 1, 0, 0, 0, 0, time.UTC).AddDate(0, 0, rapid.IntRange(0, 16000).Draw(t, "day"))
		// Half of the draws lie on a change of clocks.
		if _, next := day.In(z).ZoneBounds(); rapid.Bool().Draw(t, "change") && !next.IsZero() {
			day = next.In(z).Add(time.Hour)
		}
		y, m, d := day.Date()
		require.True(t, dayStartSlow(y, m, d, z).Equal(dayStart(t, y, m, d, z)), "%s %d-%d-%d", z, y, m, d)
	})
}

func TestShelfLaws(t *testing.T) {
	base := instant(t, "2026-03-10T00:00:00Z")
	moment := func(t *rapid.T, name string) time.Time {
		if !rapid.Bool().Draw(t, name+"?") {
			return time.Time{}
		}
		return base.Add(time.Duration(rapid.IntRange(-2e6, 2e6).Draw(t, name)) * time.Second)
	}
	testrun.Check(t, func(t *rapid.T) {
		in := ShelfInput{ThawStartedAt: moment(t, "started"), ThawedAt: moment(t, "thawed"), SetAttachedAt: moment(t, "set"), RefrozenAt: moment(t, "refrozen"),
			Softened: rapid.Bool().Draw(t, "soft"), Held: rapid.Bool().Draw(t, "held"), Quarantined: rapid.Bool().Draw(t, "q"),
			KeptAtC: soft(t, "kept", -5, 1, 4, 6, 22, 37), CardUseByHours: soft(t, "card", 0.25, 2, 24, 100),
			Expiry: rapid.SampledFrom([]string{"", "2026-03-10", "2027-01", "260301"}).Draw(t, "expiry"), At: base, Zone: time.UTC}
		r, err := Shelf(in)
		if err != nil {
			return
		}
		order := ShelfStates()
		require.True(t, slices.IsSortedFunc(r.States, func(a, b ShelfState) int { return slices.Index(order, a) - slices.Index(order, b) }))
		require.Equal(t, r.States[0], r.State)
		require.NotEqual(t, slices.Contains(r.States, ShelfFrozen), slices.Contains(r.States, ShelfThawed), "one or the other, always")
		for _, s := range r.States[:len(r.States)-1] {
			name := strings.ReplaceAll(string(s), "_", " ") + ": "
			require.True(t, slices.ContainsFunc(r.Because, func(b string) bool { return strings.HasPrefix(b, name) }), "%s needs a reason", s)
		}
		for _, start := range []time.Time{in.SetAttachedAt, in.ThawedAt} {
			if !start.IsZero() && !r.UseBy.IsZero() {
				require.False(t, r.UseBy.After(start.Add(24*time.Hour)), "no clock is longer")
			}
		}
		in.CardUseByHours = new(0.25)
		strict, err := Shelf(in)
		require.NoError(t, err)
		require.False(t, !r.UseBy.IsZero() && strict.UseBy.After(r.UseBy), "a stricter card never gives more")
	})
}

func BenchmarkShelf(b *testing.B) {
	ny := zone(b, "America/New_York")
	now := time.Date(2026, 3, 7, 20, 0, 0, 0, ny)
	in := ShelfInput{Expiry: "2027-04-03", ThawStartedAt: now, ThawedAt: now, KeptAtC: new(4.0), At: now, Zone: ny}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Shelf(in); err != nil {
			b.Fatal(err)
		}
	}
}
