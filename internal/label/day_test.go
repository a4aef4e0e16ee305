package label

import (
	"strings"
	"testing"
	"time"
	_ "time/tzdata" // the zones below, on machines that have no database

	"pgregory.net/rapid"

	"thawtrail/internal/testrun"
)

func zone(t tester, name string) *time.Location {
	t.Helper()
	return must(time.LoadLocation(name))(t)
}

// days draws a valid Day, one in four a whole month.
func days() *rapid.Generator[Day] {
	return rapid.Custom(func(t *rapid.T) Day {
		d := Day{rapid.IntRange(minYear, maxYear).Draw(t, "year"), time.Month(rapid.IntRange(1, 12).Draw(t, "month")), 0}
		if rapid.IntRange(0, 3).Draw(t, "whole month") > 0 {
			d.Day = rapid.IntRange(1, daysIn(d.Year, d.Month)).Draw(t, "day")
		}
		return d
	})
}

func TestParseDayTable(t *testing.T) {
	for _, row := range table(t, "days.csv") {
		d, err := ParseDay("expiry", row["text"])
		if row["refused"] != "" {
			contains(t, refused(t, err, row), row["refused"])
			continue
		}
		equal(t, row["day"], must(d, err)(t).String(), row)
	}
}

func TestDayRoundTrip(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		d := days().Draw(t, "day")
		equal(t, d, must(ParseDay("expiry", d.String()))(t))
		equal(t, d, must(ParseDay("expiry", "\t"+strings.ReplaceAll(d.String(), "-", "/")+" "))(t))
		if d.Day > 0 {
			named := time.Date(d.Year, d.Month, d.Day, 0, 0, 0, 0, time.UTC)
			equal(t, d, must(ParseDay("expiry", named.Format("2 Jan 2006")))(t))
			equal(t, d, must(ParseDay("expiry", strings.ToUpper(named.Format("02January2006"))))(t))
			equal(t, d, DayOf(named.Add(86399*time.Second)))
		}
	})
}

// A date with the year last is never taken, whatever its numbers.
func TestYearLastIsNeverGuessed(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		text := rapid.StringMatching(`\d{1,2}[-/. ]\d{1,2}[-/. ](\d{2}|\d{4})`).Draw(t, "text")
		_, err := ParseDay("expiry", text)
		refused(t, err)
	})
}

func TestDayCompare(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		a, b := days().Draw(t, "a"), days().Draw(t, "b")
		equal(t, a.LastInstant(time.UTC).Compare(b.LastInstant(time.UTC)), a.Compare(b))
	})
}

// The ends of days that the clocks disturb. Sources: the IANA time zone
// database; the instants computed by an independent script.
func TestDayEnds(t *testing.T) {
	for _, c := range []struct {
		zone string
		day  Day
		want string
	}{
		{"UTC", Day{2027, 4, 3}, "2027-04-04T00:00:00Z"},
		{"UTC", Day{2027, 2, 0}, "2027-03-01T00:00:00Z"},
		{"UTC", Day{2028, 2, 0}, "2028-03-01T00:00:00Z"},
		{"UTC", Day{2027, 12, 0}, "2028-01-01T00:00:00Z"},
		{"America/New_York", Day{2026, 3, 8}, "2026-03-09T04:00:00Z"},
		{"America/New_York", Day{2026, 11, 1}, "2026-11-02T05:00:00Z"},
		{"Australia/Sydney", Day{2026, 10, 4}, "2026-10-04T13:00:00Z"},
		// Midnight is skipped: the day ends at the change.
		{"America/Sao_Paulo", Day{2018, 11, 3}, "2018-11-04T03:00:00Z"},
		// 23:00 to 24:00 is shown twice: the day ends after the second.
		{"America/Sao_Paulo", Day{2018, 2, 17}, "2018-02-18T03:00:00Z"},
		// Midnight is shown twice: the day ends at the first.
		{"America/Havana", Day{2026, 10, 31}, "2026-11-01T04:00:00Z"},
		// One minute after midnight the clocks go back into the day.
		{"America/St_Johns", Day{2010, 11, 6}, "2010-11-07T03:30:00Z"},
		// A whole day is skipped.
		{"Pacific/Apia", Day{2011, 12, 29}, "2011-12-30T10:00:00Z"},
	} {
		got := c.day.LastInstant(zone(t, c.zone))
		equal(t, c.want, got.UTC().Format(time.RFC3339), c.zone, c.day)
	}
	equal(t, true, Day{}.LastInstant(time.UTC).IsZero())
}

// LastInstant against walking the clock minute by minute.
func TestDayEndsAgainstWalking(t *testing.T) {
	zones := []string{"America/New_York", "Europe/London", "Australia/Lord_Howe", "America/Sao_Paulo", "America/Havana", "Asia/Kathmandu", "Pacific/Apia", "Africa/Cairo"}
	testrun.Check(t, func(t *rapid.T) {
		z := zone(t, rapid.SampledFrom(zones).Draw(t, "zone"))
		d := Day{rapid.IntRange(1990, 2040).Draw(t, "year"), time.Month(rapid.IntRange(1, 12).Draw(t, "month")), rapid.IntRange(1, 28).Draw(t, "day")}
		end := d.LastInstant(z)
		if DayOf(end).Compare(d) <= 0 {
			t.Fatalf("%s ends at %s, which is not past it", d, end)
		}
		if before := DayOf(end.Add(-1)); before.Compare(d) > 0 {
			t.Fatalf("%s ends at %s, but a moment earlier it was %s", d, end, before)
		}
		for step := range 180 {
			if at := end.Add(time.Duration(step) * time.Minute); DayOf(at).Compare(d) <= 0 {
				t.Fatalf("%s ends at %s, but it is back at %s", d, end, at)
			}
		}
	})
}

func FuzzParseDay(f *testing.F) {
	for _, seed := range []string{"2027-04-03", "04/2027", "3 Apr 2027", "03/04/27", "2027-00-00", "0 Apr 2027", "\xff", "٣/٤/٢٧"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		d, err := ParseDay("expiry", text)
		if err != nil {
			refused(t, err)
			return
		}
		if !d.Valid() {
			t.Fatalf("%q reads as %v", text, d)
		}
		equal(t, d, must(ParseDay("expiry", d.String()))(t))
	})
}

func BenchmarkParseDay(b *testing.B) {
	for b.Loop() {
		must(ParseDay("expiry", "3 Apr 2027"))(b)
	}
}

func BenchmarkLastInstant(b *testing.B) {
	z := zone(b, "America/New_York")
	d := Day{2026, 11, 1}
	for b.Loop() {
		_ = d.LastInstant(z)
	}
}
