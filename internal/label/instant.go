package label

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"

	"thawtrail/internal/refusal"
	"thawtrail/internal/unit"
)

// Precision says how exactly an instant was given, so that nobody reads 'two
// hours ago' as a time to the second.
type Precision uint8

// The precisions, append-only.
const (
	ToSecond Precision = iota + 1 // seconds were typed, or it was read from the clock
	ToMinute                      // hours and minutes were typed
	ToHour                        // only hours were typed, as in '2h ago'
)

// String is second, minute or hour.
func (p Precision) String() string {
	switch p {
	case ToSecond:
		return "second"
	case ToMinute:
		return "minute"
	case ToHour:
		return "hour"
	}
	return fmt.Sprintf("precision_%d", uint8(p))
}

const (
	instantWant = "a time such as 02:10, -20m, 2027-04-03 02:10, or 2027-04-03T02:10:00+01:00"
	// maxAgo bounds times told from now: further back, the date is surer.
	maxAgo = 48 * time.Hour
)

var (
	fullInstant = regexp.MustCompile(`^(\d{4}-\d\d-\d\d)(?:[Tt]| +)(\d\d):(\d\d)(?::(\d\d)(\.\d{1,9})?)?(?: *([Zz]|[+-]\d\d:\d\d))?$`)
	clockTime   = regexp.MustCompile(`^(\d{1,2}):(\d\d)$`)
	timeAgo     = regexp.MustCompile(`^(-?) *(?:(\d{1,4}) *(?:h|hr|hrs|hours?))? *(?:(\d{1,4}) *(?:m|min|mins|minutes?))?( +ago)?$`)
)

// ParseInstant reads when something happened, as a person types it:
//
//   - RFC 3339, with its own offset from UTC; a second 60 is read as the first
//     second of the next minute, as POSIX does, where a leap second can stand;
//   - 2027-04-03 02:10 (seconds may follow) on the clocks of zone;
//   - 02:10, the latest such time that is not after now, or the one within the next
//     hour; yesterday's only when it was less than twelve hours ago;
//   - -20m, 20m ago, -1h30m, 2 h ago, up to 48 hours; now;
//   - the two with a time of day by the clock of twelve hours too: 7:30 pm.
//
// A local time that the clocks skip, or show twice, is refused with both
// readings. The result is in zone, without a monotonic part.
func ParseInstant(field, text string, zone *time.Location, now time.Time) (time.Time, Precision, error) {
	p := instantParser{field, text, zoneOrUTC(zone), now.Round(0)}
	if len(text) > maxTyped {
		return p.refuse("")
	}
	trimmed, halfDay := unit.Hours24(strings.TrimFunc(text, isSpace))
	if !halfDay {
		return p.refuse("a clock with am and pm runs from 12:00 am to 11:59 pm")
	}
	if m := fullInstant.FindStringSubmatch(trimmed); m != nil {
		return p.full(m)
	}
	if m := clockTime.FindStringSubmatch(trimmed); m != nil {
		return p.clock(number(m[1]), number(m[2]))
	}
	lower := strings.Replace(strings.ToLower(trimmed), "\u2212", "-", 1)
	if lower == "now" {
		return p.now.In(p.zone), ToSecond, nil
	}
	if m := timeAgo.FindStringSubmatch(lower); m != nil {
		return p.ago(m[1] != "", m[2], m[3], m[4] != "")
	}
	return p.refuse("")
}

// instantParser carries the arguments of ParseInstant to its parts.
type instantParser struct {
	field, text string
	zone        *time.Location
	now         time.Time
}

func (p instantParser) refuse(hint string) (time.Time, Precision, error) {
	return time.Time{}, 0, refusal.New(p.field, p.text, instantWant).Because(hint)
}

// full reads a date with a time: m holds date, hour, minute, second, fraction
// and offset.
func (p instantParser) full(m []string) (time.Time, Precision, error) {
	precision, second := ToMinute, number(m[4])
	if m[4] != "" {
		precision = ToSecond
	}
	leap := second == 60
	if leap {
		second = 59
	}
	wall, err := time.Parse("2006-01-02 15:04:05", fmt.Sprintf("%s %s:%s:%02d", m[1], m[2], m[3], second))
	if err != nil {
		return p.refuse("there is no such date or time")
	}
	if m[5] != "" {
		nanos, _ := strconv.Atoi((m[5][1:] + "00000000")[:9])
		wall = wall.Add(time.Duration(nanos))
	}
	if m[6] == "" {
		if leap {
			return p.refuse("a second 60 needs its offset from UTC")
		}
		t, err := p.local(wall, instantsOf(p.zone, wall))
		return t, precision, err
	}
	offset, ok := offsetOf(m[6])
	if !ok {
		return p.refuse("there is no such offset from UTC")
	}
	t := wall.Add(-offset)
	if leap {
		t = t.Add(time.Second)
		if t.Day() != 1 || t.Hour() != 0 || t.Minute() != 0 || t.Second() != 0 {
			return p.refuse("a second 60 stands only at the end of a month in UTC")
		}
	}
	return t.In(p.zone), precision, nil
}

// offsetOf reads Z or +hh:mm.
func offsetOf(text string) (time.Duration, bool) {
	if text == "Z" || text == "z" {
		return 0, true
	}
	hours, minutes := number(text[1:3]), number(text[4:6])
	offset := time.Duration(hours)*time.Hour + time.Duration(minutes)*time.Minute
	if text[0] == '-' {
		offset = -offset
	}
	return offset, hours <= 23 && minutes <= 59
}

// local settles on the one instant at which the clocks showed wall, or says
// what else it could be.
func (p instantParser) local(wall time.Time, instants []time.Time) (time.Time, error) {
	if len(instants) == 1 {
		return instants[0], nil
	}
	what, choices := "was shown twice", instants
	if len(instants) == 0 {
		what, choices = "was skipped", skipped(p.zone, wall)
	}
	var typed []string
	for _, c := range choices {
		typed = append(typed, c.Format(time.RFC3339))
	}
	hint := fmt.Sprintf("%s %s when the clocks of %s changed: type %s", wall.Format("2006-01-02 15:04"), what, p.zone, strings.Join(typed, " or "))
	return time.Time{}, refusal.New(p.field, p.text, "a local time that the clocks showed once").Because(hint)
}

// aheadAtMost is how far ahead of the clock a bare time of day may lie and still be
// that of this day: a clock that is slow, or a slip. Nobody tells of 23 hours ago by the
// hour alone. Ours.
const aheadAtMost = time.Hour

// backAtMost is how long ago yesterday's bare time of day may have been: the night that
// has just passed. Further back nobody can tell yesterday's from today's that is still to
// come, and the date is asked for. Ours.
const backAtMost = 12 * time.Hour

// clock reads a bare time of day as the latest one that is not after now, or the one
// that comes within the hour: whoever asks then asks whether the clock is right.
func (p instantParser) clock(hour, minute int) (time.Time, Precision, error) {
	if hour > 23 || minute > 59 {
		return p.refuse("the day runs from 00:00 to 23:59")
	}
	year, month, day := p.now.In(p.zone).Date()
	for _, ahead := range []int{1, 0} { // the next hour may be tomorrow's
		soon := instantsOf(p.zone, time.Date(year, month, day+ahead, hour, minute, 0, 0, time.UTC))
		if len(soon) == 1 && soon[0].After(p.now) && soon[0].Sub(p.now) <= aheadAtMost {
			return soon[0], ToMinute, nil
		}
	}
	for back := range 2 {
		wall := time.Date(year, month, day-back, hour, minute, 0, 0, time.UTC)
		instants := instantsOf(p.zone, wall)
		var past []time.Time
		for _, t := range instants {
			if !t.After(p.now) {
				past = append(past, t)
			}
		}
		if len(past) > 0 && back > 0 && p.now.Sub(past[len(past)-1]) > backAtMost {
			return p.refuse(fmt.Sprintf("%02d:%02d today is still to come: if yesterday was meant, type %s", hour, minute, wall.Format("2006-01-02 15:04")))
		}
		if len(past) > 0 {
			t, err := p.local(wall, past)
			return t, ToMinute, err
		}
		if len(instants) == 0 && p.passed(wall) {
			t, err := p.local(wall, nil)
			return t, ToMinute, err
		}
	}
	return p.refuse("type the date too")
}

// passed says whether the clocks already show a later time than wall.
func (p instantParser) passed(wall time.Time) bool {
	local := p.now.In(p.zone)
	_, seconds := local.Zone()
	return !wall.After(p.now.UTC().Add(time.Duration(seconds) * time.Second))
}

// ago reads a time told from now.
func (p instantParser) ago(minus bool, hours, minutes string, ago bool) (time.Time, Precision, error) {
	if hours == "" && minutes == "" || minus == ago {
		return p.refuse("for twenty minutes ago type -20m or 20m ago")
	}
	back := time.Duration(number(hours))*time.Hour + time.Duration(number(minutes))*time.Minute
	if back > maxAgo {
		return p.refuse("more than 48 hours back, type the date and time")
	}
	precision := ToMinute
	if minutes == "" {
		precision = ToHour
	}
	return p.now.Add(-back).In(p.zone), precision, nil
}
