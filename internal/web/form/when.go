package form

import (
	"io"
	"time"

	"thawtrail/internal/event"
	"thawtrail/internal/refusal"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
)

// EchoTime says how a time that is being typed is read, with its day and zone, so that
// a slip is seen before anything is saved. The script asks for it.
func EchoTime(req *site.Request) error {
	q, c := req.URL.Query(), Clock(req)
	said := ""
	if at, err := c.Moment(q.Get("field"), q.Get("text")); err == nil {
		said = echo(time.UnixMilli(at.UnixMs).In(c.Zone), c.Now(), q.Get("field"))
	} else if ref, ok := refusal.As(err); ok {
		said = refusedText(ref)
	}
	req.W.Header().Set("Content-Type", "text/plain; charset=utf-8")
	_, _ = io.WriteString(req.W, said) // a browser that went away is no error
	return nil
}

// echo is a time with its day and zone. One of the past that is ahead asks about the
// clock.
func echo(at, now time.Time, field string) string {
	said := at.Format(words.Say("time.echo"))
	if ahead := at.Sub(now); ahead > 0 && !event.ToCome(field) {
		return words.Say("form.ahead", said, int(ahead.Round(time.Minute)/time.Minute))
	}
	return said
}
