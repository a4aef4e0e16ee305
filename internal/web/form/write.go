package form

import (
	"time"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	"thawtrail/internal/input"
	"thawtrail/internal/query"
	"thawtrail/internal/web/site"
	pb "thawtrail/proto/thawtrail/v1"
)

// Clock is what typed times are read against: this machine's clock in the
// practice's zone, at the moment of the press.
func Clock(req *site.Request) input.Clock {
	c := input.Clock{Now: req.Site.Clock.Now, Zone: time.UTC}
	if at, earlier := req.Pressed(); earlier {
		c.Now = func() time.Time { return at }
	}
	_ = req.Read(func(l *query.ReadView) error {
		c.Zone, c.ZoneName = l.Zone(), l.Zone().String()
		return nil
	})
	return c
}

// Foresee tells what would be raised if a record were made now, each with the reason
// that was typed to go past it.
func Foresee(req *site.Request, name string, m proto.Message) ([]Override, error) {
	entry, err := event.Wrap(SpecOf(name).Type, m)
	if err != nil {
		return nil, err
	}
	raised, err := req.Site.Records.Foresee(req.Context(), entry)
	var out []Override
	for _, c := range raised {
		o := OverrideOf(req, c.Code, c.Text)
		o.Asks, o.Note = c.Level == "reason", c.Level == "note"
		out = append(out, *o)
	}
	return out, err
}

// Write makes a record for which nothing is typed but reasons: one press of one
// button. The suffix keeps several records of one press apart.
func Write(req *site.Request, suffix string, name string, m proto.Message) (*pb.WriteResponse, error) {
	spec := SpecOf(name)
	entry, err := event.Wrap(spec.Type, m)
	if err != nil {
		return nil, err
	}
	id := req.PostForm.Get("request_id")
	if id == "" || len(id) > 50 {
		id = site.NewRequestID()
	}
	ask := &pb.WriteRequest{Entry: entry, RequestId: id + suffix, Pin: req.PostForm.Get("pin")}
	if ask.OccurredAt, err = pressed(req); err != nil {
		return nil, err
	}
	if suffix == "" {
		ask.Overrides = reasons(req.PostForm)
	}
	if err := (&Form{req: req}).author(ask); err != nil {
		return nil, err
	}
	return req.Site.Records.WriteBy(req.Context(), req.Actor(), ask)
}

// pressed is when it happened, of a press that was kept; nil: now.
func pressed(req *site.Request) (*pb.Moment, error) {
	text := pressedText(req)
	if text == "" {
		return nil, nil
	}
	return Clock(req).Moment("when", text)
}

// pressedText is that time as a person would type it: a form that was refused shows it,
// and can change it.
func pressedText(req *site.Request) string {
	at, earlier := req.Pressed()
	if !earlier {
		return ""
	}
	return at.In(Clock(req).Zone).Format(time.RFC3339)
}
