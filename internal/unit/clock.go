package unit

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
)

var (
	// halfDay is a time of day by the clock of twelve hours, at the end of what was typed.
	halfDay = regexp.MustCompile(`(?i)(^|[ T])(\d{1,2})(?:[:.](\d\d))? ?([ap])\.?m\.?$`)
	// wholeDay is a time of day by the clock of 24 hours: no offset from UTC, no part of
	// a number, and no time as machines write it.
	wholeDay = regexp.MustCompile(`(^|[^\dT:;+.−-])([01]\d|2[0-3]):([0-5]\d)(:[0-5]\d)?\b`)
)

// Hours24 writes a typed time of day of twelve hours as one of 24: '7:30 pm' is 19:30 and
// '12 am' 00:00; what is none stays as it is. A clock of twelve hours shows no 0 and no 13:
// that is not a time, and false.
func Hours24(text string) (string, bool) {
	at := halfDay.FindStringSubmatchIndex(text)
	if at == nil {
		return text, true
	}
	part := func(i int) string {
		if at[2*i] < 0 {
			return ""
		}
		return text[at[2*i]:at[2*i+1]]
	}
	hour, _ := strconv.Atoi(part(2))
	minute, _ := strconv.Atoi("0" + part(3))
	if hour < 1 || hour > 12 || minute > 59 {
		return text, false
	}
	hour %= 12
	if strings.EqualFold(part(4), "p") {
		hour += 12
	}
	return fmt.Sprintf("%s%s%02d:%02d", text[:at[0]], part(1), hour, minute), true
}

// Hours12 puts the time by the clock of twelve hours beside each time of day in a text:
// 'due 19:30' becomes 'due 19:30 (7:30 pm)'.
func Hours12(text string) string {
	return wholeDay.ReplaceAllStringFunc(text, func(found string) string {
		m := wholeDay.FindStringSubmatch(found)
		hour, _ := strconv.Atoi(m[2])
		half := "am"
		if hour >= 12 {
			half = "pm"
		}
		return fmt.Sprintf("%s (%d:%s %s)", found, (hour+11)%12+1, m[3], half)
	})
}
