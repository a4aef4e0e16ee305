package plans

import (
	"context"
	"strings"
	"time"

	"thawtrail/internal/engine"
	"thawtrail/internal/label"
	"thawtrail/internal/refusal"
	"thawtrail/internal/zone"
	pb "thawtrail/proto/thawtrail/v1"
)

// Shelf tells until when a bag may be used.
func (p *Plans) Shelf(_ context.Context, in *pb.ShelfRequest) (*pb.ShelfResponse, error) {
	now := p.Now()
	c := clockReader{now: now}
	c.readZone(in.Zone)
	at := c.instant("at", in.At)
	if at.IsZero() {
		at = now
	}
	input := engine.ShelfInput{
		Expiry: in.Expiry, ThawStartedAt: c.instant("thaw_started_at", in.ThawStartedAt),
		ThawedAt: c.instant("thawed_at", in.ThawedAt), SetAttachedAt: c.instant("set_attached_at", in.SetAttachedAt),
		KeptAtC: in.KeptAtC, RefrozenAt: c.instant("refrozen_at", in.RefrozenAt), Refrozen: in.RefrozenAt != "",
		Held: in.Held, Quarantined: in.Quarantined, At: at, Zone: c.zone,
		Softened: in.Softened, CardUseByHours: in.CardUseByHours,
	}
	for _, text := range in.Warm {
		input.Warm = append(input.Warm, c.warm(text))
	}
	if c.err != nil {
		return nil, c.err
	}
	r, err := engine.Shelf(input)
	b := basisOf(r.Basis)
	out := &pb.ShelfResponse{
		State: string(r.State), UseBy: instantText(r.UseBy), Because: r.Because, SourcePlasmaClass: string(r.SourcePlasmaClass),
		Cautions: b.cautions, Steps: b.steps, Sources: b.sources, Versions: b.versions,
	}
	for _, s := range r.States {
		out.States = append(out.States, string(s))
	}
	return answer(out, err)
}

// warm reads a warm time as HOURS@PEAK, with /soft behind it where the bag softened.
func (n *needs) warm(text string) engine.Excursion {
	hours, peak := n.pairOf("warm", strings.TrimSuffix(text, "/soft"), "@", "hours and the warmest C, such as 40@-6 or 3@4/soft")
	return engine.Excursion{Hours: hours, PeakC: peak, StayedSolid: !strings.HasSuffix(text, "/soft")}
}

// instantText is RFC 3339, or nothing for a time that is not known.
func instantText(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.Format(time.RFC3339)
}

// clockReader reads times as typed in one zone and remembers the first refusal.
type clockReader struct {
	needs
	now  time.Time
	zone *time.Location // nil: none was given
}

// readZone takes a name of the tz database; 'Local' would mean something else on
// every machine.
func (c *clockReader) readZone(name string) {
	if name == "" {
		return
	}
	tz, err := zone.Load(name)
	if err != nil || name == "Local" {
		c.refuse(refusal.New("zone", name, "a time zone such as Australia/Sydney"))
		return
	}
	c.zone = tz
}

// instant reads a time; RFC 3339 keeps its own offset where no zone was given.
func (c *clockReader) instant(field, text string) time.Time {
	if text == "" {
		return time.Time{}
	}
	if t, err := time.Parse(time.RFC3339, text); err == nil && c.zone == nil {
		return t
	}
	t, _, err := label.ParseInstant(field, text, c.zone, c.now)
	if err != nil {
		c.refuse(err)
	}
	return t
}
