// Package input turns what people type into the fields of an entry: one reader
// for the commands and for the forms of the pages. What a field may hold stands
// in the rule beside it; this package reads numbers with a decimal point or
// comma, units as the rule scales them, words of a list, days, bag numbers and
// times such as 02:10, -20m or +90m. What does not fit is a *refusal.Error that
// names the field and shows what was typed.
//
// It does not ask whether a bag or a place is known: that needs the books.
package input

import (
	"regexp"
	"strconv"
	"strings"
	"time"

	"thawtrail/internal/event"
	"thawtrail/internal/label"
	"thawtrail/internal/refusal"
	"thawtrail/internal/unit"
	pb "thawtrail/proto/thawtrail/v1"
)

var (
	fromNow   = regexp.MustCompile(`^\+ *(?:(\d{1,3}) *h)? *(?:(\d{1,4}) *(?:m|min))?$`)
	clockOnly = regexp.MustCompile(`^\d{1,2}:\d\d$`)
)

// Clock is what a typed time is read against.
type Clock struct {
	Now      func() time.Time
	Zone     *time.Location
	ZoneName string // in the tz database; empty: the practice's
}

// Moment reads a time as people type it: 02:10, '2026-11-24 02:10', -20m, RFC
// 3339, and for what is still to come +90m. A bare time of day is the latest one
// that has passed, never yesterday's unless it was in the last twelve hours, but the next
// one for what is due.
func (c Clock) Moment(field, text string) (*pb.Moment, error) {
	now := c.Now().Round(0)
	if m := fromNow.FindStringSubmatch(strings.TrimSpace(text)); m != nil && m[1]+m[2] != "" {
		hours, _ := strconv.Atoi("0" + m[1])
		minutes, _ := strconv.Atoi("0" + m[2])
		t := now.Add(time.Duration(hours)*time.Hour + time.Duration(minutes)*time.Minute)
		return c.told(t, label.ToMinute), nil
	}
	if bare, _ := unit.Hours24(strings.TrimSpace(text)); event.ToCome(field) && clockOnly.MatchString(bare) {
		return c.next(field, bare, now)
	}
	if day, err := time.Parse(time.DateOnly, strings.TrimSpace(text)); err == nil && event.FromDay(field) {
		return c.told(c.begins(day), label.ToMinute), nil
	}
	t, precision, err := label.ParseInstant(field, text, c.Zone, now)
	if err != nil {
		return nil, err
	}
	return c.told(t, precision), nil
}

// begins is the first moment of a day on the clocks of the zone: midnight, the first of
// two, or what follows where the clocks skip it. Clocks are changed by quarters of an hour.
func (c Clock) begins(day time.Time) time.Time {
	zone := c.Zone
	if zone == nil {
		zone = time.UTC
	}
	year, month, date := day.Date()
	at := time.Date(year, month, date, 12, 0, 0, 0, zone).Add(-15 * time.Hour)
	for at.In(zone).Day() != date {
		at = at.Add(15 * time.Minute)
	}
	return at
}

// next reads a bare time of day of what is still to come: today's, else tomorrow's. It
// is read with its date, so that a change of the clocks is told.
func (c Clock) next(field, bare string, now time.Time) (*pb.Moment, error) {
	if len(bare) < len("02:10") {
		bare = "0" + bare
	}
	on := func(day time.Time) (time.Time, label.Precision, error) {
		return label.ParseInstant(field, day.Format("2006-01-02 ")+bare, c.Zone, now)
	}
	today := now
	if c.Zone != nil {
		today = now.In(c.Zone)
	}
	t, precision, err := on(today)
	if err == nil && t.Before(now) {
		t, precision, err = on(today.AddDate(0, 0, 1))
	}
	if err != nil {
		return nil, renamed(err, bare)
	}
	return c.told(t, precision), nil
}

// renamed shows a refusal with the text that was typed.
func renamed(err error, text string) error {
	if r, ok := refusal.As(err); ok {
		r.Value = refusal.Shorten(text)
	}
	return err
}

func (c Clock) told(t time.Time, precision label.Precision) *pb.Moment {
	m := &pb.Moment{UnixMs: t.UnixMilli(), Zone: c.ZoneName, Source: pb.TimeSource_TIME_SOURCE_TYPED}
	switch precision {
	case label.ToSecond:
		m.Precision = pb.Precision_PRECISION_SECOND
	case label.ToMinute:
		m.Precision = pb.Precision_PRECISION_MINUTE
	case label.ToHour:
		m.Precision = pb.Precision_PRECISION_HOUR
	}
	return m
}
