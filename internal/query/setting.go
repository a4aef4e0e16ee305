package query

import (
	"slices"
	"strconv"
	"strings"
	"unicode"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/refusal"
)

// Setting is one number, choice or telephone that a practice may set for itself. The list is fixed:
// each has a reader, and anything else is refused where it is typed.
type Setting struct {
	Name        string
	Words       string // what it is, with its unit
	Usual       int    // without a word of the practice
	Least, Most int
	Choices     []string // the words of a choice, from the number Least on; none: it is a number
	Telephone   bool     // a text with so many digits
}

// The settings.
const (
	SettingRecheckHours = "recheck_hours"     // read where a recheck is planned
	SettingWatchWeeks   = "watch_weeks"       // read by the advice and the case sheet
	SettingScreenDays   = "screen_days"       // read where plasma of the practice's own donors is used
	SettingTelephone    = "telephone"         // read by the advice sheet
	SettingKeepYears    = "keep_client_years" // read by the list of clients

	// Read where bags to hold are reckoned.
	SettingPlasmaUnder  = "plasma_under_g_per_l"
	SettingLeadWeeks    = "order_lead_weeks"
	SettingShelfWeeks   = "bought_shelf_weeks"
	SettingShortageBags = "shortage_costs_bags"
	SettingRefillDays   = "car_refill_days"

	// Read where a dose and a thaw are reckoned; each asks for an owner and a vet.
	SettingOwnShare = "own_share_found"
	SettingOwnThaws = "own_thaw_times"

	// Read wherever a person reads a number or a time.
	SettingWeight      = "weight_beside_kg"
	SettingTemperature = "temperature_beside_c"
	SettingClock       = "clock_beside_24h"
)

var settings = []Setting{
	// 12 to 24 h: DVM360 proceedings, August 2011; up to 72 h for a patient far away: ours.
	{SettingRecheckHours, "hours from the end of plasma to the recheck", 24, 12, 72, nil, false},
	// Serum hepatitis has been told 4 to 13 weeks after a biologic: a practice may watch
	// longer, never shorter.
	{SettingWatchWeeks, "weeks of watching for hepatitis after plasma", 13, 13, 52, nil, false},
	// How old a donor's screen may be when plasma is collected: ours.
	{SettingScreenDays, "days that a donor's screen may lie before the collection", 365, 7, 730, nil, false},
	// How long records are to be kept differs from land to land: no number is usual, and 0
	// says that none was set.
	{SettingKeepYears, "years after the last case that a client's details are kept; 0 for no limit", 0, 0, 50, nil, false},
	{SettingTelephone, "the telephone at which the practice is called day and night", 0, 3, 40, nil, true},
	// 4 g/L failure, 8 g/L failure or partial failure: the two cuts of published populations.
	{SettingPlasmaUnder, "the IgG in g/L under which a newborn foal counts as one that needs plasma", 0, 0, 1, []string{"4", "8"}, false},
	// What an order takes, how long bought bags keep, how often cars are filled: ours, for
	// the practice to set.
	{SettingLeadWeeks, "weeks from ordering bags until they are in the freezer", 2, 1, 26, nil, false},
	{SettingShelfWeeks, "weeks in which a bag that is bought now can be used", 52, 4, 60, nil, false},
	// 19 bags to one is a service of 95 %: a choice of the practice's, not a fact.
	{SettingShortageBags, "what a bag that is wanted and not there costs, counted in bags written off", 19, 1, 500, nil, false},
	{SettingRefillDays, "days after which a car is filled again", 7, 1, 60, nil, false},
	{SettingOwnShare, "whether the practice's own rechecks move the middle of the share of IgG found; on once an owner and a vet said so", 0, 0, 1, []string{"off", "on"}, false},
	{SettingOwnThaws, "whether the practice's own thaws move the middle of the thaw's minutes; on once an owner and a vet said so", 0, 0, 1, []string{"off", "on"}, false},
	{SettingWeight, "the unit of weight shown beside kg", 0, 0, 1, []string{"none", "lb"}, false},
	{SettingTemperature, "the unit of temperature shown beside C", 0, 0, 1, []string{"none", "F"}, false},
	{SettingClock, "the clock shown beside that of 24 hours", 0, 0, 1, []string{"none", "12h"}, false},
}

// Typed is a value as it is typed.
func (s *Setting) Typed(value int) string {
	if s.Choices != nil {
		return s.Choices[value-s.Least]
	}
	if s.Telephone {
		return strings.Repeat("0", value)
	}
	return strconv.Itoa(value)
}

// read is what a text sets, and whether it can be.
func (s *Setting) read(text string) (value int, ok bool) {
	if s.Choices != nil {
		i := slices.IndexFunc(s.Choices, func(c string) bool { return strings.EqualFold(c, strings.TrimSpace(text)) })
		return s.Least + i, i >= 0
	}
	value, err := strconv.Atoi(text)
	if s.Telephone {
		value, err = digits(text), nil
	}
	return value, err == nil && value >= s.Least && value <= s.Most
}

// wanted says what may be typed.
func (s *Setting) wanted() string {
	if s.Choices != nil {
		return strings.Join(s.Choices, " or ") + ": " + s.Words
	}
	if s.Telephone {
		return s.Words + ", in one line with " + strconv.Itoa(s.Least) + " to " + strconv.Itoa(s.Most) + " digits"
	}
	return "a whole number from " + strconv.Itoa(s.Least) + " to " + strconv.Itoa(s.Most) + ": " + s.Words
}

// digits counts those of a text; none where it is not one line of text.
func digits(text string) (n int) {
	for _, r := range text {
		switch {
		case !unicode.IsPrint(r):
			return 0
		case unicode.IsDigit(r):
			n++
		}
	}
	return n
}

// settingOf finds a setting by its name; nil when there is none.
func settingOf(name string) *Setting {
	i := slices.IndexFunc(settings, func(s Setting) bool { return s.Name == name })
	if i < 0 {
		return nil
	}
	return &settings[i]
}

// Settings lists every setting there is.
func Settings() []Setting { return settings }

// CheckSetting refuses a name that is not on the list and a value that cannot be.
func CheckSetting(name, value string) error {
	s := settingOf(name)
	if s == nil {
		known := ""
		for _, s := range settings {
			known += " " + s.Name
		}
		return refusal.New("name", name, "one of the settings:"+known)
	}
	if _, ok := s.read(value); !ok {
		return refusal.New("value", value, s.wanted())
	}
	return nil
}

// Telephone is at what number the practice is called; empty while none is set.
func (b *ReadView) Telephone() (string, error) {
	text, _, err := b.SettingInForce(SettingTelephone)
	return text, err
}

// SettingInForce is a setting as it is typed, and whether the practice set it: what it
// set, else the usual. A value of an older program that cannot be is not taken. A
// telephone has no usual one.
func (b *ReadView) SettingInForce(name string) (text string, own bool, err error) {
	s := settingOf(name)
	if s == nil {
		return "", false, refusal.New("name", name, "a setting")
	}
	set, err := Get[*ledger.Setting](b, event.KindSetting, name)
	if err != nil {
		return "", false, err
	}
	if set != nil && CheckSetting(name, set.Value) == nil {
		return set.Value, true, nil
	}
	return s.Typed(s.Usual), false, nil
}

// Setting is what the practice set, else the usual. A value of an older program that
// cannot be is not taken.
func (b *ReadView) Setting(name string) (int, error) {
	s := settingOf(name)
	if s == nil {
		return 0, refusal.New("name", name, "a setting")
	}
	set, err := Get[*ledger.Setting](b, event.KindSetting, name)
	if err != nil || set == nil {
		return s.Usual, err
	}
	if value, ok := s.read(set.Value); ok {
		return value, nil
	}
	return s.Usual, nil
}
