package entry

import (
	"strings"
	"time"

	"thawtrail/internal/event"
	pb "thawtrail/proto/thawtrail/v1"
)

// typedTimes are the times that a person typed into an entry, beside that of the entry
// itself: those of the past, and with toCome those of what is due.
func (e *pending) typedTimes(toCome bool) (out []time.Time) {
	r := e.payload.ProtoReflect()
	fields := r.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		if f.Message() == nil || f.IsList() || !r.Has(f) || event.RuleOf(f).Filled {
			continue
		}
		m, ok := r.Get(f).Message().Interface().(*pb.Moment)
		if ok && m.Source == pb.TimeSource_TIME_SOURCE_TYPED && (toCome || !event.ToCome(string(f.Name()))) {
			out = append(out, time.UnixMilli(m.UnixMs))
		}
	}
	return out
}

// sayTimes says every typed time back with its day and zone, where the sentence has
// its plain form.
func (e *pending) sayTimes(text string) string {
	for _, at := range e.typedTimes(true) {
		text = strings.ReplaceAll(text, e.b.Clock(at.UnixMilli()), e.b.sayTime(at))
	}
	return text
}

// sayTime is a moment as it is said back to who typed it.
func (b view) sayTime(at time.Time) string {
	return at.In(b.Zone()).Format("15:04 MST on Mon 2 Jan 2006")
}
