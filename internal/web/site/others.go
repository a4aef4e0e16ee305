package site

import (
	"strings"
	"time"

	"thawtrail/internal/ledger"
	"thawtrail/internal/query"
	"thawtrail/internal/web/words"
)

// other is a patient beside the one of the page, in whom plasma runs too and whose
// alarms sound at this laptop.
type other struct {
	Case, Name string
	Alarm      string // the signs for which one stands; empty for none
	AlarmMs    int64  // since when
	DueMs      int64  // when it is looked at next
	Late       bool
}

// readOthers looks at the other patients that run: whoever sits with one of them must
// hear of the others on this page.
func (f *frame) readOthers(l *query.ReadView) error {
	all, err := l.Find(ledger.TermRunning)
	if err != nil {
		return err
	}
	if f.Running != nil {
		f.Running.Several = len(all) > 1
	}
	for _, k := range all {
		if f.Patient == nil || f.Patient.Case == k.ID {
			continue
		}
		c, err := l.Case(k.ID)
		if err != nil {
			return err
		}
		if c == nil || !l.WrittenHere(c.Timeline) {
			continue
		}
		if _, elsewhere := l.Holder(c); elsewhere {
			continue
		}
		watch, err := l.Watch(c)
		if err != nil {
			return err
		}
		due := time.UnixMilli(query.NextVitals(c))
		o := other{Case: k.ID, Name: HeaderOf(l, c, l.Now()).Name, DueMs: due.UnixMilli(), Late: !due.After(l.Now())}
		var signs []string
		for _, a := range watch.Standing {
			signs = append(signs, words.List("vitals.signs")[a.Sign])
			if o.AlarmMs == 0 || a.AtMs < o.AlarmMs {
				o.AlarmMs = a.AtMs
			}
		}
		o.Alarm = strings.Join(signs, ", ")
		f.Others = append(f.Others, o)
	}
	return nil
}
