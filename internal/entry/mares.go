package entry

import (
	"time"

	"thawtrail/internal/label"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// How far from today the dates of a mare may lie, in days: a gestation of 342 days runs
// 305 to 400 in normal foals, and a list is read before the season.
const (
	servedMostDays = 430
	dueAgoDays     = 120
	dueAheadDays   = 430
)

// checkMare refuses dates of which no foal can be awaited.
func (b view) checkMare(p *pb.MareDue) error {
	known := p.NoLonger != pb.MareEnd_MARE_END_UNSPECIFIED
	if !known && p.ServedOn == "" && p.DueOn == "" {
		return refusal.New("served", "", "the day of the last service, e.g. 2026-01-15, or with due the day on which she is expected")
	}
	today := label.DayOf(b.Now().In(b.Zone())).LastInstant(time.UTC)
	for _, day := range []struct {
		field, value, expected string
		ago, ahead             int
	}{
		{"served", p.ServedOn, "the whole day of a service that her foal can come from: not ahead of today, and at most 430 days ago", servedMostDays, 0},
		{"due", p.DueOn, "a whole day from 120 days ago to 430 days ahead", dueAgoDays, dueAheadDays},
	} {
		if day.value == "" {
			continue
		}
		at, err := label.ParseDay(day.field, day.value)
		if err != nil {
			return err
		}
		end := at.LastInstant(time.UTC)
		if len(day.value) != len(time.DateOnly) || end.Before(today.AddDate(0, 0, -day.ago)) || end.After(today.AddDate(0, 0, day.ahead)) {
			return refusal.New(day.field, day.value, day.expected)
		}
	}
	return nil
}
