package entry

import (
	"context"
	"time"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/caution"
	"thawtrail/internal/handover"
	"thawtrail/internal/ledger"
	"thawtrail/internal/query"
	"thawtrail/internal/refusal"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// fromCode says that a case is taken over by a code.
func fromCode(m proto.Message) bool {
	p, ok := m.(*pb.CaseAdopted)
	return ok && p.Way == pb.AdoptedBy_ADOPTED_BY_CODE
}

// fillAdopted adds who had the case, and what is known here of the bag that a code
// names, so that a hold on its batch is seen.
func (b view) fillAdopted(p *pb.CaseAdopted) error {
	c, err := b.Case(p.Case)
	if err != nil {
		return err
	}
	if c != nil && len(p.FromDevice) == 0 {
		p.FromDevice = c.Holder()
	}
	if c != nil && p.Way == pb.AdoptedBy_ADOPTED_BY_CODE {
		p.EndedBags = endedBy(c, p)
	}
	return b.withBag(p.Bag, func(bag *ledger.Bag) {
		if l := bag.Label; l != nil {
			p.Product, p.Batch = l.Product, l.Batch
		}
	})
}

// endedBy are the bags that run here and had ended by the moment of a code, so that their
// own stories tell it. Of an older code than the newest here that is its own bag.
func endedBy(c *ledger.Case, p *pb.CaseAdopted) (out []string) {
	runs, momentMs := p.Bag, momentOf(p)
	if newest := c.LastTold(); newest != nil && newest.MomentMs() > momentMs && newest.Bag != p.Bag {
		runs, momentMs, out = newest.Bag, newest.MomentMs(), []string{p.Bag}
	}
	for i := range c.Transfusions {
		t := &c.Transfusions[i]
		if t.Running && t.Bag != runs && t.Bag != p.Bag && t.Starts[len(t.Starts)-1].AtMs/60_000 <= momentMs/60_000 { // a code tells minutes
			out = append(out, t.Bag)
		}
	}
	return out
}

// momentOf is the newest moment that a code speaks of, as in ledger.CodeSheet.
func momentOf(p *pb.CaseAdopted) int64 {
	return max(p.MadeAt.GetUnixMs(), p.StartedAt.GetUnixMs(), p.ReadAt.GetUnixMs(), p.VitalsAt.GetUnixMs())
}

var olderCode = caution.Define("takeover_older_code", caution.Caution,
	"This code is older than the one that was typed here before: %s against %s. What runs now stands as the newer one says.")

// checkAdopted refuses a case that is closed here: its story is over. It tells of a code
// that is older than one that was typed before.
func (b view) checkAdopted(p *pb.CaseAdopted) ([]caution.Raised, error) {
	c, err := b.Case(p.Case)
	if err != nil || c == nil {
		return nil, err
	}
	if !c.Open() {
		return nil, refusal.Conflict("case", p.Case, "a case that is open").Because("it is closed here: " + wording.Enum(c.Outcome()))
	}
	newest := c.LastTold()
	if p.Way != pb.AdoptedBy_ADOPTED_BY_CODE || newest == nil || newest.MomentMs() <= momentOf(p) {
		return nil, nil
	}
	clock := func(ms int64) string { return time.UnixMilli(ms).In(b.Zone()).Format("15:04") }
	return []caution.Raised{olderCode.With(clock(momentOf(p)), clock(newest.MomentMs()))}, nil
}

// sameKind keeps a case of a rehearsal out of the books, and a real one out of a
// rehearsal, where nobody would look after it.
func sameKind(code, here bool) error {
	switch {
	case code && !here:
		return refusal.Conflict("code", "of a rehearsal", "a code of a real case").Because("nothing of a rehearsal comes into the books; type it into another rehearsal")
	case here && !code:
		return refusal.Conflict("code", "of a real case", "a code of a rehearsal").Because("this is a rehearsal; take the case over on the real pages of this laptop")
	}
	return nil
}

// TakeOver reads a code that was typed and, unless it is only to be looked at,
// takes the case over: from then on the running sheet goes on here.
func (w *Writer) TakeOver(ctx context.Context, actor Actor, req *pb.TakeOverRequest) (*pb.TakeOverResponse, error) {
	sheet, err := handover.Read(req.Code, req.Dam, req.Mark, w.Clock.Now())
	if err != nil {
		return nil, err
	}
	if err := sameKind(sheet.Rehearsal, w.Rehearsal()); err != nil {
		return nil, err
	}
	out := &pb.TakeOverResponse{Case: sheet.Case}
	if err := w.View(ctx, func(b *query.ReadView) error {
		out.Says = b.SheetWords(sheet)
		raised, err := (view{ReadView: b, replica: w.Replica}).checkAdopted(adoptedOf(sheet, req.Dam, req.Mark))
		for _, r := range raised {
			out.Cautions = append(out.Cautions, r.Text)
		}
		return err
	}); err != nil || req.Look {
		return out, err
	}
	saved, err := w.WriteBy(ctx, actor, &pb.WriteRequest{
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
		MadeAt: at(s.MadeMs), VitalsAt: at(s.VitalsMs),
		TemperatureDc: s.Vitals.TemperatureDc, HeartRate: s.Vitals.HeartRate, BreathingRate: s.Vitals.BreathingRate,
		BaselineTemperatureDc: s.Baseline.TemperatureDc, BaselineHeartRate: s.Baseline.HeartRate, BaselineBreathingRate: s.Baseline.BreathingRate,
	}
	if s.WeightG > 0 {
		p.WeightG = proto.Int32(s.WeightG)
	}
	return p
}
