package query

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"thawtrail/internal/engine"
	"thawtrail/internal/event"
	"thawtrail/internal/label"
	"thawtrail/internal/ledger"
	pb "thawtrail/proto/thawtrail/v1"
)

// States of a mare on the list.
const (
	mareAwaited = "awaited"
	mareFoaled  = "foaled"
	mareOverdue = "overdue"
)

const (
	// overSpreads is how many standard deviations past her day a mare is reckoned with:
	// only 1 in 700 goes longer, and most of those who did have foaled (ours).
	overSpreads = 3
	// earlyFoalDays is how long before her day a case on her foal is this season's: born
	// before 250 days of gestation none lives (ours).
	earlyFoalDays = 95
)

// awaited is a mare on the list, as the engine takes her.
type awaited struct {
	row     *pb.AwaitedMare
	due     engine.MareDue
	placeID string
}

// readMares reads the list. A mare that two laptops entered under two marks, once with
// chip or client and once without, is one.
func (l *levels) readMares() error {
	keys, err := l.b.Newest(ledger.TermAwaited, MaxRows)
	if err != nil {
		return err
	}
	slices.SortFunc(keys, func(x, y event.Key) int { return x.Compare(y) })
	var all []*ledger.Mare
	for _, k := range keys {
		m, err := Get[*ledger.Mare](l.b, k.Kind, k.ID)
		if err != nil {
			return err
		}
		if m != nil && !slices.ContainsFunc(all, func(o *ledger.Mare) bool { return sameMare(o, m) }) {
			all = append(all, m)
		}
	}
	for _, m := range all {
		l.addMare(m)
	}
	slices.SortStableFunc(l.mares, func(x, y awaited) int { return cmp.Compare(x.row.DueOn, y.row.DueOn) })
	for _, m := range l.mares {
		l.out.Mares = append(l.out.Mares, m.row)
	}
	return nil
}

// sameMare says that two entries are of one mare: same name and dates, and no mark of the
// one against the other.
func sameMare(a, b *ledger.Mare) bool {
	fits := func(x, y string) bool { return x == "" || y == "" || x == y }
	return strings.EqualFold(a.Name, b.Name) && a.ServedOn == b.ServedOn && a.DueOn == b.DueOn &&
		fits(a.Chip, b.Chip) && fits(a.Ueln, b.Ueln) && fits(a.Client, b.Client)
}

func (l *levels) addMare(m *ledger.Mare) {
	g := engine.GestationOf(strings.ToLower(strings.TrimSpace(m.Breed)))
	days, because, err := l.dueDays(m, g)
	if err != nil {
		return // a day of an older program that cannot be read is no due date
	}
	l.because = append(l.because, g.Source)
	row := &pb.AwaitedMare{
		Mare: m.Entity.ID, Name: m.Name, Breed: m.Breed, Yard: m.Yard, Place: l.b.Name(event.KindPlace, m.Place),
		DueOn: l.day(int(days)), SpreadDays: g.SpreadDays, State: mareAwaited, Because: because, Chip: m.Chip, Ueln: m.Ueln,
	}
	if m.Client != "" {
		row.Client, _, _ = l.b.Client(m.Client)
	}
	row.Case = l.foalOf(m, days)
	switch {
	case row.Case != "":
		row.State = mareFoaled
	case days < -overSpreads*g.SpreadDays:
		row.State = mareOverdue
		row.Because += fmt.Sprintf("; over by %.0f days: has she foaled? She is not reckoned with", -days)
	}
	l.mares = append(l.mares, awaited{row: row, due: engine.MareDue{DueDays: days, SpreadDays: g.SpreadDays}, placeID: m.Place})
}

// dueDays counts the days from today to the day on which she is expected.
func (l *levels) dueDays(m *ledger.Mare, g engine.Gestation) (days float64, because string, err error) {
	text, later := m.DueOn, 0.0
	because = "day told"
	if text == "" {
		text, later = m.ServedOn, g.MeanDays
		because = fmt.Sprintf("served %s and %.1f days (%s)", text, g.MeanDays, g.Source)
	}
	day, err := label.ParseDay("due", text)
	if err != nil {
		return 0, "", err
	}
	today := label.DayOf(l.today)
	return day.LastInstant(time.UTC).Sub(today.LastInstant(time.UTC)).Hours()/24 + later, because, nil
}

// foalOf is the case of the foal that she was awaited with; empty when there is none here.
// A foal of another client's mare of that name is none of hers.
func (l *levels) foalOf(m *ledger.Mare, days float64) string {
	since := l.today.AddDate(0, 0, int(days)-earlyFoalDays).UnixMilli()
	for _, key := range marksOf(m.Chip, m.Ueln, m.Name) {
		for _, foal := range l.past.dams[key] {
			if foal.bornMs >= since && (m.Client == "" || foal.client == "" || foal.client == m.Client) {
				return foal.id
			}
		}
	}
	return ""
}
