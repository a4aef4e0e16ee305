package query

import (
	"cmp"
	"slices"
	"time"

	"thawtrail/internal/event"
	"thawtrail/internal/label"
	"thawtrail/internal/refusal"
)

// span is a stretch of days that was asked for: until is not part of it.
type span struct{ from, until time.Time }

func (s span) has(ms int64) bool { return s.from.UnixMilli() <= ms && ms < s.until.UnixMilli() }

// endOfTime is after everything that can be told.
var endOfTime = time.UnixMilli(1 << 52)

// spanOf is the days from one day or month to another, either of which may be left
// out; all time where both are.
func (b *ReadView) spanOf(from, to string) (span, error) {
	if from == "" && to == "" {
		return span{until: endOfTime}, nil
	}
	return b.days(cmp.Or(from, to), cmp.Or(to, from))
}

// asked is what a list is narrowed to: a span, and one person.
type asked struct {
	span
	person string // id; empty: anybody
}

// narrowed is a request for a list of some days and one person.
type narrowed interface {
	GetFrom() string
	GetTo() string
	GetPerson() string
}

func (b *ReadView) askedOf(req narrowed) (out asked, err error) {
	if out.span, err = b.spanOf(req.GetFrom(), req.GetTo()); err != nil {
		return out, err
	}
	out.person, err = b.optional("person", event.KindPerson, req.GetPerson())
	return out, err
}

// has says that something was done in the span by the person, or by one of those who had
// a part in it.
func (a asked) has(ms int64, people ...string) bool {
	return a.span.has(ms) && (a.person == "" || slices.Contains(people, a.person))
}

// orNotAsked is errNotAsked where nothing is left of what was found.
func orNotAsked[R any](rows []R) error {
	if len(rows) == 0 {
		return errNotAsked
	}
	return nil
}

// days is from the begin of one day or month to the end of another, in the practice's
// zone.
func (b *ReadView) days(from, to string) (s span, err error) {
	first, err := label.ParseDay("from", from)
	if err != nil {
		return s, err
	}
	last, err := label.ParseDay("to", to)
	if err != nil {
		return s, err
	}
	if last.Compare(first) < 0 {
		return s, refusal.New("to", to, "a day that is not before "+from)
	}
	return span{firstInstant(first, b.zone), last.LastInstant(b.zone)}, nil
}

// firstInstant is when a day or month begins: with the end of the day before.
func firstInstant(d label.Day, zone *time.Location) time.Time {
	before := time.Date(d.Year, d.Month, max(d.Day, 1)-1, 0, 0, 0, 0, time.UTC)
	return label.Day{Year: before.Year(), Month: before.Month(), Day: before.Day()}.LastInstant(zone)
}
