package plans

import (
	"context"

	"thawtrail/internal/engine"
	pb "thawtrail/proto/thawtrail/v1"
)

// Thaw tells whether a bath thaws a bag, how long it takes, and how much hot
// water brings it where it should end.
func (p *Plans) Thaw(_ context.Context, in *pb.ThawRequest) (*pb.ThawResponse, error) {
	var n needs
	var recorded []engine.ThawRecord
	for _, text := range in.Recorded {
		estimate, actual := n.pairOf("recorded", text, "=", "the minutes estimated and taken, such as 40=52")
		recorded = append(recorded, engine.ThawRecord{PredictedMinutes: estimate, ActualMinutes: actual})
	}
	if n.err != nil {
		return nil, n.err
	}
	r, err := engine.Thaw(engine.ThawInput{
		HeldAtC: in.HeldAtC, BagThicknessMm: in.BagThicknessMm, HWPerM2K: in.HWPerM2K,
		BagMl: in.BagMl, Bags: whole(in.Bags), BagTempC: in.BagTempC, WaterL: in.WaterL, WaterTempC: in.WaterTempC,
		AirC: in.AirC, HotC: in.HotC, EndAtC: in.EndAtC, Recorded: recorded, LabelMaxC: in.LabelMaxC,
	})
	b := basisOf(r.Basis)
	out := &pb.ThawResponse{
		ConductionMinutes: r.ConductionMinutes, ThawMinutes: spanOf(r.ThawMinutes), HeatToMeltKj: r.HeatToMeltKJ,
		WaterEndC: r.WaterEndC, WaterNeededKg: r.WaterNeededKg,
		Cautions: b.cautions, Steps: b.steps, Sources: b.sources, Versions: b.versions,
	}
	if r.Learned.N > 0 {
		out.Learned = &pb.ThawLearned{N: int32(r.Learned.N), Factor: r.Learned.Factor}
	}
	return answer(out, err)
}
