package demo

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/grpc"

	pb "thawtrail/proto/thawtrail/v1"
)

// People of the story, as they are named in the books.
const (
	owner     = "M. Alder"
	clinician = "T. Moss"
	northVet  = "J. Reed"
	southVet  = "S. Kaya"
	assistant = "P. Lund"
)

// Products and batches.
const (
	veinProduct  = "Foal plasma"
	mouthProduct = "Oral foal plasma"
	heldBatch    = "H2207"
	otherBatch   = "H2231"
	mouthBatch   = "M0418"
)

// now is 'as it is entered', among minutes before the end of the night.
const now = 0

// night is the story as it is played. The first error ends it: every step does
// nothing once err is set.
type night struct {
	ctx    context.Context
	cfg    Config
	dir    string
	screen *screen
	zone   string
	end    time.Time // when the demo began, which is when the told night ends
	err    error

	clinic, north, south *site

	bags      map[string][]string // by batch
	client    string
	northFoal foal
	southFoal foal
	acks      []ack
	sum       Summary
}

// ack is an entry that a replica said is saved.
type ack struct {
	at   *site
	hash string
}

func newNight(ctx context.Context, cfg Config, dir string) *night {
	end := cfg.Clock.Now().Truncate(time.Minute)
	n := &night{ctx: ctx, cfg: cfg, dir: dir, end: end, zone: fourOClock(end), bags: map[string][]string{}}
	zone, err := time.LoadLocation(n.zone)
	n.fail(err)
	out := cfg.Out
	if cfg.JSON {
		out = cfg.Err
	}
	n.screen = &screen{w: out, fast: cfg.Fast, zone: zone}
	if err == nil {
		n.screen.name = "UTC" + end.In(zone).Format("-07:00")
	}
	n.clinic = &site{name: "clinic", pages: cfg.Keep, place: "clinic freezer", args: []string{"server", "--name", "clinic"}}
	n.north = &site{name: "north", pages: cfg.Keep, place: "north freezer", args: []string{"agent", "--name", "north laptop"}}
	if cfg.Keep { // beyond this machine only while somebody wants to try it
		n.north.args = append(n.north.args, "--phone", "0.0.0.0:0")
	}
	n.south = &site{name: "south", pages: cfg.Keep, place: "south freezer", args: []string{"agent", "--name", "south laptop"}}
	return n
}

// play runs the scenes in their order.
func (n *night) play() {
	n.prologue()
	for _, scene := range []func(){
		n.found, n.stockUp, n.laptops, n.cut, n.south1, n.north1, n.hold, n.north2, n.powerCut, n.morning, n.joined, n.books,
	} {
		if n.err == nil && n.ctx.Err() != nil {
			n.err = n.ctx.Err()
		}
		if n.err != nil {
			return
		}
		scene()
	}
}

func (n *night) fail(err error) {
	if n.err == nil {
		n.err = err
	}
}

func (n *night) sites() []*site { return []*site{n.clinic, n.north, n.south} }

// close ends every process and wire.
func (n *night) close() {
	for _, s := range n.sites() {
		s.close()
	}
	for _, s := range n.sites() {
		if s.wire != nil {
			s.wire.Close()
		}
	}
}

// at is a time of the night: minutes before its end.
func (n *night) at(minutes int) time.Time { return n.end.Add(time.Duration(minutes) * time.Minute) }

// when is the time that an entry carries: typed, or none for 'now'.
func (n *night) when(minutes int) *pb.Moment {
	if minutes == now {
		return nil
	}
	return n.typed(minutes)
}

func (n *night) typed(minutes int) *pb.Moment {
	return &pb.Moment{
		UnixMs: n.at(minutes).UnixMilli(), Zone: n.zone,
		Precision: pb.Precision_PRECISION_MINUTE, Source: pb.TimeSource_TIME_SOURCE_TYPED,
	}
}

// step is one thing that a person does: where, who, when, and in words.
type step struct {
	at   *site
	who  string
	when int // minutes before the end of the night
	text string
}

// write enters one thing and prints it. It gives the ids that were made.
func (n *night) write(s step, body *pb.Entry) []string {
	if n.err != nil {
		return nil
	}
	answer, err := s.at.record.Write(n.ctx, &pb.WriteRequest{
		Entry: body, OccurredAt: n.when(s.when), Author: s.who, RequestId: fmt.Sprintf("demo-%d", len(n.acks)),
	})
	if err != nil {
		n.fail(fmt.Errorf("%s, %s: %w", s.who, s.text, s.at.explain(err)))
		return nil
	}
	n.acks = append(n.acks, ack{s.at, answer.Record})
	if s.text != "" {
		n.say(s)
	}
	for _, c := range answer.Cautions {
		n.screen.caution(c.Text)
	}
	return answer.Made
}

// say prints a step without an entry.
func (n *night) say(s step) {
	if n.err != nil {
		return
	}
	at := n.at(s.when)
	if s.when == now {
		at = n.cfg.Clock.Now()
	}
	layout := "15:04"
	if n.end.Sub(at) > 24*time.Hour {
		layout = "2 Jan"
	}
	n.screen.line(n.ctx, at.In(n.screen.zone).Format(layout), s.at.name, s.who, s.text)
}

// only is the one id that an entry made.
func (n *night) only(made []string) string {
	if n.err == nil && len(made) != 1 {
		n.fail(fmt.Errorf("one new id expected, got %d", len(made)))
	}
	if len(made) == 0 {
		return ""
	}
	return made[0]
}

// ask calls one method of a site, unless the night has failed.
func ask[Req, Resp any](n *night, s *site, method func(context.Context, Req, ...grpc.CallOption) (Resp, error), req Req) (answer Resp) {
	if n.err != nil {
		return answer
	}
	answer, err := method(n.ctx, req)
	if err != nil {
		n.fail(s.explain(err))
	}
	return answer
}
