package service

import (
	"context"
	"fmt"
	"math"

	"thawtrail/internal/engine"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// Pick chooses bags of a stock file.
func (p *Plans) Pick(_ context.Context, in *pb.PickRequest) (*pb.PickResponse, error) {
	c := clockReader{now: p.Now()}
	input := engine.PickInput{
		NeedMl: c.millilitres("need_ml", math.Ceil(c.number("need_ml", in.NeedMl, "the mL needed"))),
		Place:  in.Place, At: c.instant("at", in.At), Until: c.instant("until", in.Until),
	}
	if in.At == "" {
		input.At = c.now
	}
	if len(in.Stock) > engine.MaxPickBags {
		c.refuse(refusal.New("stock", len(in.Stock), fmt.Sprintf("at most %d bags", engine.MaxPickBags)))
	}
	if c.err != nil {
		return nil, Status(c.err)
	}
	for i, bag := range in.Stock {
		input.Bags = append(input.Bags, c.pickBag(fmt.Sprintf("bags[%d]", i), bag))
	}
	if c.err != nil {
		return nil, Status(c.err)
	}
	r, err := engine.Pick(input)
	b := basisOf(r.Basis)
	return answer(&pb.PickResponse{
		Bags: r.Bags, WasteMl: float64(r.WasteMl), RunnerUp: r.RunnerUp,
		Cautions: b.cautions, Steps: b.steps, Sources: b.sources, Versions: b.versions,
	}, err)
}

func (c *clockReader) pickBag(at string, bag *pb.StockBag) engine.PickBag {
	out := engine.PickBag{
		ID: bag.Id, Product: bag.Product, Batch: bag.Batch, VolumeMl: c.millilitres(at+".volume_ml", bag.VolumeMl),
		UseBy: c.instant(at+".use_by", bag.UseBy), Place: bag.Place, State: engine.ShelfState(bag.State), Reacted: bag.Reacted,
	}
	if bag.Distance != 0 { // 0 and absent look alike here: the place asked for decides
		out.Distance = new(int(bag.Distance))
	}
	return out
}

// millilitres is a whole number of mL; the engine checks its range.
func (n *needs) millilitres(field string, v float64) int {
	if v != math.Trunc(v) || math.Abs(v) > math.MaxInt32 {
		n.refuse(refusal.New(field, v, "a whole number of mL"))
		return 0
	}
	return int(v)
}
