package plans

import (
	"context"
	"fmt"
	"math"

	"thawtrail/internal/engine"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// Pick chooses bags of a stock file; asked for the schema of that file, it gives
// it and nothing else.
func (p *Plans) Pick(_ context.Context, in *pb.PickRequest) (*pb.PickResponse, error) {
	if in.Schema {
		return &pb.PickResponse{Schema: engine.PickSchema, Versions: []string{engine.Version}}, nil
	}
	c := clockReader{now: p.Now()}
	need, err := engine.PickNeed(c.number("need_ml", in.NeedMl, "the mL needed"))
	if err != nil {
		c.refuse(err)
	}
	input := engine.PickInput{
		NeedMl: need,
		Place:  in.Place, At: c.instant("at", in.At), Until: c.instant("until", in.Until),
	}
	if in.At == "" {
		input.At = c.now
	}
	if len(in.Stock) > engine.MaxPickBags {
		c.refuse(refusal.New("stock", len(in.Stock), fmt.Sprintf("at most %d bags", engine.MaxPickBags)))
	}
	if c.err != nil {
		return nil, c.err
	}
	for i, bag := range in.Stock {
		input.Bags = append(input.Bags, c.pickBag(fmt.Sprintf("bags[%d]", i), bag))
	}
	if c.err != nil {
		return nil, c.err
	}
	r, err := engine.Pick(input)
	b := basisOf(r.Basis)
	out := &pb.PickResponse{
		Bags: r.Bags, VolumeMl: float64(r.VolumeMl), WasteMl: float64(r.WasteMl), ShortMl: float64(r.ShortMl), RunnerUp: r.RunnerUp,
		Cautions: b.cautions, Steps: b.steps, Sources: b.sources, Versions: b.versions,
	}
	for _, x := range r.Excluded {
		out.Excluded = append(out.Excluded, &pb.PickExcluded{Id: x.ID, Because: x.Because})
	}
	return answer(out, err)
}

func (c *clockReader) pickBag(at string, bag *pb.StockBag) engine.PickBag {
	out := engine.PickBag{
		ID: bag.Id, Product: bag.Product, Batch: bag.Batch, VolumeMl: c.millilitres(at+".volume_ml", bag.VolumeMl),
		UseBy: c.instant(at+".use_by", bag.UseBy), Place: bag.Place, State: engine.ShelfState(bag.State), Reacted: bag.Reacted,
	}
	out.Distance = whole(bag.Distance)
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
