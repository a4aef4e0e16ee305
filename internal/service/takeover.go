package service

import (
	"cmp"
	"context"
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/handover"
	"thawtrail/internal/label"
	"thawtrail/internal/ledger"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// fromCode says that a case is taken over by a code.
func fromCode(m proto.Message) bool {
	p, ok := m.(*pb.CaseAdopted)
	return ok && p.Way == pb.AdoptedBy_ADOPTED_BY_CODE
}

// fillAdopted adds who had the case, and what is known here of the bag that a code
// names, so that a hold on its batch is seen.
func (b *book) fillAdopted(p *pb.CaseAdopted) error {
	c, ok, err := b.getCase(p.Case)
	if err != nil {
		return err
	}
	if ok && len(p.FromDevice) == 0 {
		p.FromDevice = c.Holder()
	}
	return b.withBag(p.Bag, func(bag *ledger.Bag) {
		if l := bag.Label; l != nil {
			p.Product, p.Batch = l.Product, l.Batch
		}
	})
}

// checkAdopted refuses a case that is closed here: its story is over, or the code
// is an old one.
func (b *book) checkAdopted(p *pb.CaseAdopted) error {
	c, ok, err := b.getCase(p.Case)
	if err != nil || !ok || c.Open() {
		return err
	}
	return refusal.Conflict("case", p.Case, "a case that is open").Because("it is closed here: " + enumWord(c.Outcome()))
}

// laptop names a device.
func (b *book) laptop(id []byte) string {
	exchangeID := fmt.Sprintf("%x", id)
	for _, l := range b.r.Store.Logs() {
		if fmt.Sprintf("%x", l.Device()) == exchangeID && l.Name != "" {
			return l.Name
		}
	}
	return exchangeID[:min(len(exchangeID), 6)]
}

// ShowCode puts a running case into the characters of package handover.
func (r *Replica) ShowCode(ctx context.Context, id string) (*pb.ShowCodeResponse, error) {
	out := &pb.ShowCodeResponse{}
	err := r.view(ctx, func(b *book) error {
		found, err := b.resolve("case", "case", id)
		if err != nil {
			return err
		}
		c, ok, err := b.getCase(found)
		if err != nil {
			return err
		}
		if !ok || !c.Running {
			return refusal.Conflict("case", found, "a case in which a bag runs").Because("a file hands over a case at any time: `thawtrail books write --case`")
		}
		s := b.codeSheet(c)
		out.Case, out.Says = found, b.sheetWords(s)
		out.Dam, out.Mark = whoInWords(c)
		rows, err := handover.Write(s, out.Dam, out.Mark)
		out.Rows = rows[:]
		return err
	})
	return out, err
}

// whoInWords are the dam and the mark that are typed beside a code.
func whoInWords(c *ledger.Case) (dam, mark string) {
	p := c.Patient
	if p == nil {
		return "", ""
	}
	return cmp.Or(p.DamName, p.Name, p.DamKey), cmp.Or(p.Markings, p.Colour, p.NeckBand)
}

func (b *book) codeSheet(c *ledger.Case) handover.Sheet {
	s := handover.Sheet{Case: c.Entity.ID, Clamped: c.Clamped, Reaction: len(c.Reactions) > 0, NextVitalsMs: NextVitals(c)}
	if told := c.LastTold(); told != nil {
		s.Reaction = s.Reaction || told.ReactionSeen
	}
	for i := range c.Transfusions {
		if t := &c.Transfusions[i]; t.Running {
			s.Bag, s.StartedMs, s.BeforeMl = t.Bag, t.FirstMs(), c.PlasmaMl-t.CountedMl()
			if s.ReadMs = c.LastReadMs(t); s.ReadMs != 0 {
				s.GivenMl = proto.Int32(t.ReadMl)
			}
		}
	}
	for _, set := range c.Sets {
		if set.Bag == s.Bag {
			s.SetMs = set.Stamp.AtMs
		}
	}
	for _, rate := range c.Rates {
		if rate.Bag == s.Bag || rate.Bag == "" {
			s.MlPerH, s.SlowStage = proto.Int32(rate.MlPerH), rate.SlowStage
		}
	}
	if n := len(c.Weights); n > 0 {
		s.WeightG = c.Weights[n-1].WeightG
	}
	return s
}

// sheetWords tells what a code says, to be compared on both screens.
func (b *book) sheetWords(s handover.Sheet) []string {
	at := func(ms int64) string {
		if ms == 0 {
			return "not noted"
		}
		return time.UnixMilli(ms).In(b.zone).Format("15:04")
	}
	number := func(v *int32, unit string) string {
		if v == nil {
			return "not noted"
		}
		return fmt.Sprintf("%d %s", *v, unit)
	}
	flow := "rate " + number(s.MlPerH, "mL/h")
	if s.SlowStage {
		flow += ", slow start"
	}
	if s.Clamped {
		flow += ", clamp shut"
	}
	weight := "weight not noted"
	if s.WeightG > 0 {
		weight = fmt.Sprintf("weight %.1f kg", float64(s.WeightG)/1000)
	}
	reaction := "no reaction noted"
	if s.Reaction {
		reaction = "a reaction was seen"
	}
	given := fmt.Sprintf("given of this bag %s, read at %s", number(s.GivenMl, "mL"), at(s.ReadMs))
	if s.BeforeMl > 0 {
		given += fmt.Sprintf("; earlier bags %d mL", s.BeforeMl)
	}
	return []string{
		fmt.Sprintf("bag %s, started %s, set attached %s", label.BagNumber(s.Bag), at(s.StartedMs), at(s.SetMs)),
		given, flow, weight, reaction, "next vitals " + at(s.NextVitalsMs),
	}
}

// TakeOver reads a code that was typed and, unless it is only to be looked at,
// takes the case over: from then on the running sheet goes on here.
func (s *Records) TakeOver(ctx context.Context, hand Hand, req *pb.TakeOverRequest) (*pb.TakeOverResponse, error) {
	sheet, err := handover.Read(req.Code, req.Dam, req.Mark, s.Clock.Now())
	if err != nil {
		return nil, Status(err)
	}
	out := &pb.TakeOverResponse{Case: sheet.Case}
	if err := s.view(ctx, func(b *book) error {
		out.Says = b.sheetWords(sheet)
		return b.checkAdopted(&pb.CaseAdopted{Case: sheet.Case})
	}); err != nil || req.Look {
		return out, err
	}
	saved, err := s.WriteBy(ctx, hand, &pb.WriteRequest{
		Author: req.Author, RequestId: req.RequestId,
		Entry: &pb.Entry{Body: &pb.Entry_CaseAdopted{CaseAdopted: adoptedOf(sheet, req.Dam, req.Mark)}},
	})
	out.Record = saved.GetRecord()
	return out, err
}

func adoptedOf(s handover.Sheet, dam, mark string) *pb.CaseAdopted {
	at := func(ms int64) *pb.Moment {
		if ms == 0 {
			return nil
		}
		return &pb.Moment{UnixMs: ms, Precision: pb.Precision_PRECISION_MINUTE, Source: pb.TimeSource_TIME_SOURCE_TYPED}
	}
	p := &pb.CaseAdopted{
		Case: s.Case, Way: pb.AdoptedBy_ADOPTED_BY_CODE, Bag: s.Bag, DamName: dam, Mark: mark, GivenMl: s.GivenMl,
		GivenBeforeMl: s.BeforeMl, MlPerH: s.MlPerH, SlowStage: s.SlowStage, Clamped: s.Clamped, ReactionSeen: s.Reaction,
		StartedAt: at(s.StartedMs), SetAttachedAt: at(s.SetMs), ReadAt: at(s.ReadMs), NextVitalsAt: at(s.NextVitalsMs),
	}
	if s.WeightG > 0 {
		p.WeightG = proto.Int32(s.WeightG)
	}
	return p
}
