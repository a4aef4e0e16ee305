package engine

import (
	"fmt"
	"regexp"
	"strings"
	"time"

	"thawtrail/internal/label"
)

// gs1Date is a GS1 date with or without its application identifier 17.
var gs1Date = regexp.MustCompile(`^(?:\(17\)|17)?(\d\d)(\d\d)(\d\d)$`)

// ReadExpiry reads the expiry text of a label: what label.ParseDay takes, and
// the GS1 forms 270403, (17)270403 and 17270403, where day 00 is the month as a
// whole. on, in its own zone, settles the century: 49 years back to 50 ahead.
// asGs1 tells that six digits were read that way, which is worth a second look.
func ReadExpiry(text string, on time.Time) (day label.Day, asGs1 bool, err error) {
	m := gs1Date.FindStringSubmatch(strings.TrimSpace(text))
	if m == nil {
		day, err = label.ParseDay("expiry", text)
		return day, false, err
	}
	year := on.Year()/100*100 + int(m[1][0]-'0')*10 + int(m[1][1]-'0')
	switch ahead := year - on.Year(); {
	case ahead > 50:
		year -= 100
	case ahead < -49:
		year += 100
	}
	iso := fmt.Sprintf("%04d-%s", year, m[2])
	if m[3] != "00" {
		iso += "-" + m[3]
	}
	day, err = label.ParseDay("expiry", iso)
	return day, true, err
}
