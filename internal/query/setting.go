package query

import (
	"strconv"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/refusal"
)

// Setting is one number that a practice may set for itself. The list is fixed: each
// has a reader, and anything else is refused where it is typed.
type Setting struct {
	Name        string
	Words       string // what it is, with its unit
	Usual       int    // without a word of the practice
	Least, Most int
}

// The settings.
const (
	SettingRecheckHours = "recheck_hours" // read where a recheck is planned
	SettingWatchWeeks   = "watch_weeks"   // read by the advice and the case sheet
	SettingScreenDays   = "screen_days"   // read where plasma of the practice's own donors is used
)

var settings = []Setting{
	// 12 to 24 h: DVM360 proceedings, August 2011; up to 72 h for a patient far away: ours.
	{SettingRecheckHours, "hours from the end of plasma to the recheck", 24, 12, 72},
	// Serum hepatitis has been told 4 to 13 weeks after a biologic: a practice may watch
	// longer, never shorter.
	{SettingWatchWeeks, "weeks of watching for hepatitis after plasma", 13, 13, 52},
	// How old a donor's screen may be when plasma is collected: ours.
	{SettingScreenDays, "days that a donor's screen may lie before the collection", 365, 7, 730},
}

// Settings lists every setting there is.
func Settings() []Setting { return settings }

// CheckSetting refuses a name that is not on the list and a value that cannot be.
func CheckSetting(name, value string) error {
	for _, s := range settings {
		if s.Name != name {
			continue
		}
		if n, err := strconv.Atoi(value); err != nil || n < s.Least || n > s.Most {
			return refusal.New("value", value, "a whole number from "+strconv.Itoa(s.Least)+" to "+strconv.Itoa(s.Most)+": "+s.Words)
		}
		return nil
	}
	known := ""
	for _, s := range settings {
		known += " " + s.Name
	}
	return refusal.New("name", name, "one of the settings:"+known)
}

// Setting is what the practice set, else the usual. A value of an older program that
// cannot be is not taken.
func (b *ReadView) Setting(name string) (int, error) {
	for _, s := range settings {
		if s.Name != name {
			continue
		}
		set, err := Get[*ledger.Setting](b, event.KindSetting, name)
		if err != nil || set == nil || CheckSetting(name, set.Value) != nil {
			return s.Usual, err
		}
		return strconv.Atoi(set.Value)
	}
	return 0, refusal.New("name", name, "a setting")
}
