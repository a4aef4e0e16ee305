package cli

import (
	"regexp"
	"strconv"
	"strings"
	"time"

	"thawtrail/internal/label"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

var (
	fromNow   = regexp.MustCompile(`^\+ *(?:(\d{1,3}) *h)? *(?:(\d{1,4}) *(?:m|min))?$`)
	clockOnly = regexp.MustCompile(`^\d{1,2}:\d\d$`)
)

// moment reads a time as people type it: 02:10, '2026-11-24 02:10', -20m, RFC
// 3339, and for what is still to come +90m. A bare time of day is the latest one
// that has passed, but the next one for what is due.
func (d *desk) moment(field, text string) (*pb.Moment, error) {
	now := d.now().Round(0)
	if m := fromNow.FindStringSubmatch(strings.TrimSpace(text)); m != nil && m[1]+m[2] != "" {
		hours, _ := strconv.Atoi("0" + m[1])
		minutes, _ := strconv.Atoi("0" + m[2])
		t := now.Add(time.Duration(hours)*time.Hour + time.Duration(minutes)*time.Minute)
		return d.told(t, label.ToMinute), nil
	}
	t, precision, err := label.ParseInstant(field, text, d.zone, now)
	if err != nil {
		return nil, err
	}
	if toCome(field) && clockOnly.MatchString(strings.TrimSpace(text)) && t.Before(now) {
		// Typed again as tomorrow's time, so that a change of the clocks is told.
		tomorrow := t.AddDate(0, 0, 1).Format("2006-01-02 ") + t.Format("15:04")
		if t, precision, err = label.ParseInstant(field, tomorrow, d.zone, now); err != nil {
			return nil, renamed(err, text)
		}
	}
	return d.told(t, precision), nil
}

// renamed shows a refusal with the text that was typed.
func renamed(err error, text string) error {
	if r, ok := refusal.As(err); ok {
		r.Value = refusal.Shorten(text)
	}
	return err
}

// toCome says that a field tells what is still to come.
func toCome(field string) bool {
	return strings.HasPrefix(field, "due") || strings.HasPrefix(field, "next_")
}

func (d *desk) told(t time.Time, precision label.Precision) *pb.Moment {
	m := &pb.Moment{UnixMs: t.UnixMilli(), Zone: d.zoneName, Source: pb.TimeSource_TIME_SOURCE_TYPED}
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
