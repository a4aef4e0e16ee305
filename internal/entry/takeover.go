package entry

import (
	"context"

	"google.golang.org/protobuf/proto"

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
	return b.withBag(p.Bag, func(bag *ledger.Bag) {
		if l := bag.Label; l != nil {
			p.Product, p.Batch = l.Product, l.Batch
		}
	})
}

// checkAdopted refuses a case that is closed here: its story is over, or the code
// is an old one.
func (b view) checkAdopted(p *pb.CaseAdopted) error {
	c, err := b.Case(p.Case)
	if err != nil || c == nil || c.Open() {
		return err
	}
	return refusal.Conflict("case", p.Case, "a case that is open").Because("it is closed here: " + wording.Enum(c.Outcome()))
}

// TakeOver reads a code that was typed and, unless it is only to be looked at,
// takes the case over: from then on the running sheet goes on here.
func (w *Writer) TakeOver(ctx context.Context, actor Actor, req *pb.TakeOverRequest) (*pb.TakeOverResponse, error) {
	sheet, err := handover.Read(req.Code, req.Dam, req.Mark, w.Clock.Now())
	if err != nil {
		return nil, err
	}
	out := &pb.TakeOverResponse{Case: sheet.Case}
	if err := w.View(ctx, func(b *query.ReadView) error {
		out.Says = b.SheetWords(sheet)
		return (view{b, w.Replica}).checkAdopted(&pb.CaseAdopted{Case: sheet.Case})
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
	}
	if s.WeightG > 0 {
		p.WeightG = proto.Int32(s.WeightG)
	}
	return p
}
