package service

import (
	"context"

	"thawtrail/internal/engine"
	pb "thawtrail/proto/thawtrail/v1"
)

// Thaw tells whether a bath thaws a bag, how long it takes, and how much hot
// water brings it where it should end.
func (p *Plans) Thaw(_ context.Context, in *pb.ThawRequest) (*pb.ThawResponse, error) {
	r, err := engine.Thaw(engine.ThawInput{
		HeldAtC: in.HeldAtC, BagThicknessMm: in.BagThicknessMm, HWPerM2K: in.HWPerM2K,
		BagMl: in.BagMl, Bags: whole(in.Bags), BagTempC: in.BagTempC, WaterL: in.WaterL, WaterTempC: in.WaterTempC,
		AirC: in.AirC, HotC: in.HotC, EndAtC: in.EndAtC,
	})
	b := basisOf(r.Basis)
	return answer(&pb.ThawResponse{
		ConductionMinutes: r.ConductionMinutes, ThawMinutes: spanOf(r.ThawMinutes), HeatToMeltKj: r.HeatToMeltKJ,
		WaterEndC: r.WaterEndC, WaterNeededKg: r.WaterNeededKg,
		Cautions: b.cautions, Steps: b.steps, Sources: b.sources, Versions: b.versions,
	}, err)
}
