package plans

import (
	"context"

	"thawtrail/internal/engine"
	pb "thawtrail/proto/thawtrail/v1"
)

// Dose plans how much plasma to give; asked for the published uses, it lists them
// and nothing else.
func (p *Plans) Dose(_ context.Context, in *pb.DoseRequest) (*pb.DoseResponse, error) {
	if in.Indications {
		return &pb.DoseResponse{Indications: indications(), Versions: []string{engine.Version}}, nil
	}
	var n needs
	n.number("weight_kg", in.WeightKg, "the weight in kg; there is no default")
	kg := n.around("weight_kg", in.WeightKg, in.WeightLowKg, in.WeightHighKg)
	input := engine.DoseInput{
		IgGReading:  n.igg(in.IggGPerL, in.IggMgPerDl, in.IggBand, in.IggUnknown),
		TargetGPerL: in.TargetGPerL, AgeH: in.AgeH, BagMl: in.BagMl,
		DonorIgGGPerL:       n.around("donor_igg_g_per_l", in.DonorIggGPerL, in.DonorIggLowGPerL, in.DonorIggHighGPerL),
		DistributionMlPerKg: in.DistributionMlPerKg,
		ShareFound:          n.around("share_found", in.ShareFound, in.ShareFoundLow, in.ShareFoundHigh),
		Given24hMl:          in.Given_24HMl, OtherFluids24hMl: in.OtherFluids_24HMl, Bags: whole(in.Bags), CeilingMlPerKg24h: in.CeilingMlPerKg_24H,
	}
	if n.err != nil {
		return nil, n.err
	}
	input.WeightKg = *kg
	r, err := engine.Dose(input)
	b := basisOf(r.Basis)
	out := &pb.DoseResponse{
		IggLackingG: span(r.IgGLackingG), VolumeMl: span(r.VolumeMl), VolumeMlPerKg: span(r.VolumeMlPerKg),
		ExpectedRiseGPerL: spanOf(r.ExpectedRiseGPerL), ExpectedIggGPerL: spanOf(r.ExpectedIgGGPerL),
		DistributionMlPerKg: &r.DistributionMlPerKg, CeilingMl: &r.CeilingMl,
		DistributionRangeMlPerKg: span(r.DistributionRangeMlPerKg),
		Now:                      r.Now, GiveNowMl: &r.GiveNowMl, LaterMl: &r.LaterMl, RestOfBagMl: &r.RestOfBagMl,
		Given_24HMl: &r.Given24hMl, OtherFluids_24HMl: &r.OtherFluids24hMl,
		Cautions: b.cautions, Steps: b.steps, Sources: b.sources, Versions: b.versions,
	}
	if plan := r.Bags; plan != nil {
		out.BagsNow, out.BagsTotal = new(int32(plan.BagsNow)), new(int32(plan.BagsTotal))
		out.Bags = &pb.BagPlan{Now: outcome(&plan.Now), Total: outcome(&plan.Total), OneFewer: outcome(plan.OneFewer), Asked: outcome(plan.Asked)}
	}
	return answer(out, err)
}

// outcome is what a number of bags gives, or nothing.
func outcome(o *engine.BagOutcome) *pb.BagOutcome {
	if o == nil {
		return nil
	}
	return &pb.BagOutcome{
		Bags: int32(o.Bags), VolumeMl: o.VolumeMl, VolumeMlPerKg: o.VolumeMlPerKg,
		ExpectedRiseGPerL: spanOf(o.ExpectedRiseGPerL), ExpectedIggGPerL: spanOf(o.ExpectedIgGGPerL),
	}
}

func indications() []*pb.Indication {
	var out []*pb.Indication
	for _, i := range engine.Indications() {
		row := &pb.Indication{Name: i.Name, Patient: i.Patient, Finding: i.Finding, Source: i.Source, Disputed: i.Disputed}
		switch low, high := above0(i.LowMl), above0(i.HighMl); {
		case i.PerKg:
			row.LowMlPerKg, row.HighMlPerKg = low, high
		default:
			row.LowMl, row.HighMl = low, high
		}
		out = append(out, row)
	}
	return out
}
