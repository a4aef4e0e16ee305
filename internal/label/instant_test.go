package label

import (
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"thawtrail/internal/testrun"
)

func TestParseInstantTable(t *testing.T) {
	for _, row := range table(t, "instants.csv") {
		z := zone(t, row["zone"])
		now := must(time.Parse(time.RFC3339, row["now"]))(t)
		got, precision, err := ParseInstant("at", row["text"], z, now)
		if row["refused"] != "" {
			line := refused(t, err, row)
			for _, part := range strings.Split(row["refused"], "|") {
				contains(t, line, part)
			}
			continue
		}
		if err != nil {
			t.Fatalf("%v: %v", row, err)
		}
		equal(t, row["instant"], got.UTC().Format(time.RFC3339Nano), row)
		equal(t, row["precision"], precision.String(), row)
		equal(t, z, got.Location(), row)
	}
	equal(t, "precision_9", Precision(9).String())
}

// Every instant, printed with its offset, reads back as itself.
func TestInstantRoundTrip(t *testing.T) {
	zones := []string{"UTC", "America/New_York", "Australia/Lord_Howe", "Asia/Kathmandu", "Pacific/Apia"}
	testrun.Check(t, func(t *rapid.T) {
		z := zone(t, rapid.SampledFrom(zones).Draw(t, "zone"))
		want := time.Unix(rapid.Int64Range(0, 4e9).Draw(t, "second"), rapid.Int64Range(0, 999_999_999).Draw(t, "nano")).In(z)
		got, precision, err := ParseInstant("at", want.Format(time.RFC3339Nano), z, want)
		equal(t, true, must(got, err)(t).Equal(want), got, want)
		equal(t, ToSecond, precision)
	})
}

// A local time reads as the instant that shows it, and is refused exactly when
// not one but none or two instants within a day and a half show it: the dumb
// twin looks at every quarter of an hour.
func TestLocalTimesAgainstLooking(t *testing.T) {
	zones := []string{"America/New_York", "Australia/Lord_Howe", "Europe/London", "Pacific/Apia", "America/Havana"}
	changes := []time.Time{}
	for _, name := range zones {
		at := time.Date(2011, 1, 1, 0, 0, 0, 0, zone(t, name))
		for range 6 {
			if _, at = at.ZoneBounds(); at.IsZero() {
				break
			}
			changes = append(changes, at)
		}
	}
	testrun.Check(t, func(t *rapid.T) {
		change := rapid.SampledFrom(changes).Draw(t, "change")
		z := change.Location()
		wall := change.Add(time.Duration(rapid.IntRange(-12, 12).Draw(t, "quarters"))*15*time.Minute).Format("2006-01-02 ") +
			rapid.SampledFrom([]string{"00:15", "00:30", "01:30", "01:45", "02:00", "02:15", "02:30", "03:00"}).Draw(t, "clock")
		var shown []time.Time
		for q := -6 * 4 * 24; q < 6*4*24; q++ {
			if at := change.Truncate(15 * time.Minute).Add(time.Duration(q) * 15 * time.Minute).In(z); at.Format("2006-01-02 15:04") == wall {
				shown = append(shown, at)
			}
		}
		got, _, err := ParseInstant("at", wall, z, change)
		if len(shown) == 1 {
			equal(t, true, must(got, err)(t).Equal(shown[0]), wall, z)
			return
		}
		line := refused(t, err, wall, z)
		for _, at := range shown {
			contains(t, line, at.Format(time.RFC3339))
		}
		equal(t, 1, strings.Count(line, " or "), line)
	})
}

// A bare time of day is the last such time, or the one that comes within the hour, and
// shows what was typed. Of yesterday it is in the last twelve hours, or refused.
func TestClockTimeIsNear(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		z := zone(t, rapid.SampledFrom([]string{"UTC", "America/New_York", "Europe/London"}).Draw(t, "zone"))
		now := time.Unix(rapid.Int64Range(1.7e9, 2e9).Draw(t, "now"), 0)
		text := rapid.StringMatching(`([01]\d|2[0-3]):[0-5]\d`).Draw(t, "text")
		got, _, err := ParseInstant("at", text, z, now)
		if err != nil {
			if said := refused(t, err); !strings.Contains(said, "today is still to come") {
				contains(t, said, "when the clocks of")
			}
			return
		}
		equal(t, text, got.Format("15:04"))
		today := got.YearDay() == now.In(z).YearDay()
		if got.Sub(now) > time.Hour || now.Sub(got) > 25*time.Hour || !today && now.Sub(got) > 12*time.Hour {
			t.Fatalf("%s at %s reads as %s", text, now, got)
		}
	})
}

func FuzzParseInstant(f *testing.F) {
	for _, seed := range []string{"1985-04-12T23:20:50.52Z", "1990-12-31T23:59:60Z", "02:10", "-20m", "1h 30m ago", "2026-11-01 01:30", "9999-12-31T23:59:60-23:59", "0000-01-01T00:00:00Z", "\xff"} {
		f.Add(seed, int64(1.8e9))
	}
	z := zone(f, "America/New_York")
	f.Fuzz(func(t *testing.T, text string, now int64) {
		got, precision, err := ParseInstant("at", text, z, time.Unix(now%(1<<40), 0))
		if err != nil {
			refused(t, err)
			return
		}
		if precision < ToSecond || precision > ToHour || got != got.Round(0) {
			t.Fatalf("%q reads as %v to the %v", text, got, precision)
		}
	})
}

func BenchmarkParseInstantLocal(b *testing.B) {
	z := zone(b, "America/New_York")
	now := time.Unix(1.8e9, 0)
	for b.Loop() {
		if _, _, err := ParseInstant("at", "2026-12-01 02:10", z, now); err != nil {
			b.Fatal(err)
		}
	}
}
