package label

import (
	"cmp"
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"

	"thawtrail/internal/refusal"
)

// Day is a day of the calendar as a label prints it, without time or zone. Day
// 0 means that only the month is printed: the bag is good to the month's end.
// The zero Day means no date.
type Day struct {
	Year  int        // 1900 to 2199
	Month time.Month // 1 to 12
	Day   int        // 1 to 31, or 0 for the whole month
}

const (
	minYear = 1900
	maxYear = 2199
	dayWant = "a date such as 2027-04-03, 3 Apr 2027, or 2027-04 for a month"
)

// DayOf is the day that t falls on in its own zone.
func DayOf(t time.Time) Day {
	year, month, day := t.Date()
	return Day{year, month, day}
}

// IsZero says that there is no date.
func (d Day) IsZero() bool { return d == Day{} }

// Valid says whether the calendar has such a day or month in 1900 to 2199.
func (d Day) Valid() bool {
	return minYear <= d.Year && d.Year <= maxYear && 1 <= d.Month && d.Month <= 12 &&
		0 <= d.Day && d.Day <= daysIn(d.Year, d.Month)
}

// daysIn is the length of a month.
func daysIn(year int, month time.Month) int {
	return time.Date(year, month+1, 0, 0, 0, 0, 0, time.UTC).Day()
}

// Last is the day itself, or the last day of a month-only date.
func (d Day) Last() Day {
	if d.Day == 0 && !d.IsZero() {
		d.Day = daysIn(d.Year, d.Month)
	}
	return d
}

// String is YYYY-MM-DD, YYYY-MM for a month, or nothing for no date.
func (d Day) String() string {
	switch {
	case d.IsZero():
		return ""
	case d.Day == 0:
		return fmt.Sprintf("%04d-%02d", d.Year, int(d.Month))
	}
	return fmt.Sprintf("%04d-%02d-%02d", d.Year, int(d.Month), d.Day)
}

// Compare orders by the last day meant: -1 when d ends before e, +1 after.
func (d Day) Compare(e Day) int {
	d, e = d.Last(), e.Last()
	return cmp.Or(cmp.Compare(d.Year, e.Year), cmp.Compare(d.Month, e.Month), cmp.Compare(d.Day, e.Day))
}

// LastInstant is the end of the day in a zone: the first instant that is no
// longer in it. That is the next local midnight, or, where the clocks skip
// midnight, the instant of the skip. A day may last 23 or 25 hours.
func (d Day) LastInstant(zone *time.Location) time.Time {
	last := d.Last()
	midnight := time.Date(last.Year, last.Month, last.Day+1, 0, 0, 0, 0, time.UTC)
	var end time.Time
	for _, s := range spansAround(zone, midnight) {
		ends := midnight.Add(-s.offset)
		if !s.to.IsZero() && s.to.Before(ends) {
			ends = s.to
		}
		if ends.After(s.from) && ends.After(end) {
			end = ends
		}
	}
	return end.In(zoneOrUTC(zone))
}

var (
	yearFirst  = regexp.MustCompile(`^(\d{4})([-/.])(\d{1,2})(?:([-/.])(\d{1,2}))?$`)
	monthYear  = regexp.MustCompile(`^(\d{1,2})[-/.](\d{4})$`)
	namedMonth = regexp.MustCompile(`^(?:(\d{1,2})[ .-]*)?([A-Za-z]{3,9})[ .,-]*(\d{4})$`)
	yearLast   = regexp.MustCompile(`^(\d{1,2})[-/. ](\d{1,2})[-/. ](\d{2}|\d{4})$`)
	twoAndTwo  = regexp.MustCompile(`^(\d{1,2})[-/. ](\d{2})$`)
)

// ParseDay reads a date as a person copies it from a label: 2027-04-03,
// 2027/04/03, 3 Apr 2027, and for a month 2027-04, 04/2027, Apr 2027. Month
// names are English, short or whole. 03/04/2027 and 03/04/27 mean different
// days to different readers and are refused with the readings spelled out.
func ParseDay(field, text string) (Day, error) {
	trimmed := strings.TrimFunc(text, isSpace)
	if len(text) > maxTyped {
		return Day{}, refusal.New(field, text, dayWant)
	}
	d, ok := matchDay(trimmed)
	switch {
	case !ok:
		return Day{}, refusal.New(field, text, dayWant).Because(dayHint(trimmed))
	case d.Year < minYear || d.Year > maxYear:
		return Day{}, refusal.New(field, text, fmt.Sprintf("a year from %d to %d", minYear, maxYear))
	case !d.Valid():
		return Day{}, refusal.New(field, text, dayWant).Because("the calendar has no such day")
	}
	return d, nil
}

// matchDay takes a date apart by its shape. The day it returns may not exist:
// a typed day or month 0 comes back as -1, so that it is never taken for 'the
// whole month'.
func matchDay(text string) (Day, bool) {
	if m := yearFirst.FindStringSubmatch(text); m != nil && (m[4] == "" || m[4] == m[2]) {
		return Day{number(m[1]), time.Month(number(m[3])), typedDay(m[5])}, true
	}
	if m := monthYear.FindStringSubmatch(text); m != nil {
		return Day{number(m[2]), time.Month(number(m[1])), 0}, true
	}
	if m := namedMonth.FindStringSubmatch(text); m != nil {
		if month, ok := monthNamed(m[2]); ok {
			return Day{number(m[3]), month, typedDay(m[1])}, true
		}
	}
	return Day{}, false
}

// number reads digits that a pattern has already matched.
func number(digits string) int {
	n, _ := strconv.Atoi(digits)
	return n
}

func typedDay(digits string) int {
	if n := number(digits); n != 0 || digits == "" {
		return n
	}
	return -1
}

// monthNamed knows the English month names, whole or cut to three letters or
// more.
func monthNamed(name string) (time.Month, bool) {
	for m := time.January; m <= time.December; m++ {
		if whole := m.String(); len(name) >= 3 && len(name) <= len(whole) && strings.EqualFold(whole[:len(name)], name) {
			return m, true
		}
	}
	return 0, false
}

// dayHint says why a text is not taken for a date, where that can be told.
func dayHint(text string) string {
	if m := yearLast.FindStringSubmatch(text); m != nil {
		return "the order of day and month differs between countries" + readingsOf(number(m[1]), number(m[2]), number(m[3]), len(m[3]) == 2)
	}
	if twoAndTwo.MatchString(text) {
		return "the year needs four digits: 2027-04 or 04/2027"
	}
	if allDigits(text) && len(text) == 6 {
		return "six digits may stand for several dates: type 2027-04-03, or scan the code"
	}
	if allDigits(text) && len(text) == 8 {
		return "type it with dashes: 2027-04-03"
	}
	return ""
}

// readingsOf lists how to type each day that a/b/c could mean.
func readingsOf(a, b, c int, shortYear bool) string {
	days := []Day{{c, time.Month(b), a}, {c, time.Month(a), b}}
	if shortYear {
		days = []Day{{2000 + c, time.Month(b), a}, {2000 + c, time.Month(a), b}, {2000 + a, time.Month(b), c}}
	}
	var texts []string
	for i, d := range days {
		if d.Day != 0 && d.Valid() && (i == 0 || d != days[0]) {
			texts = append(texts, d.String())
		}
	}
	if texts == nil {
		return ""
	}
	return ": type " + strings.Join(texts, " or ")
}
