package plans

import (
	"context"
	"strings"

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
	input.LabelIgGGPerL, input.Chosen = in.LabelIggGPerL, n.bags(in.Bag)
	input.OwnShare = n.ownShare(in)
	input.Indication, input.MlPerKg, input.Reason = in.Indication, in.MlPerKg, in.Reason
	if n.err != nil {
		return nil, n.err
	}
	input.WeightKg = *kg
	r, err := engine.Dose(input)
	b := basisOf(r.Basis)
	out := &pb.DoseResponse{
		IggLackingG: span(r.IgGLackingG), VolumeMl: span(r.VolumeMl), VolumeMlPerKg: span(r.VolumeMlPerKg),
		ExpectedRiseGPerL: spanOf(r.ExpectedRiseGPerL), ExpectedIggGPerL: spanOf(r.ExpectedIgGGPerL),
		CeilingMl: &r.CeilingMl,
		Now:       r.Now, GiveNowMl: &r.GiveNowMl, LaterMl: &r.LaterMl, RestOfBagMl: &r.RestOfBagMl,
		Given_24HMl: &r.Given24hMl, OtherFluids_24HMl: &r.OtherFluids24hMl,
		Cautions: b.cautions, Steps: b.steps, Sources: b.sources, Versions: b.versions,
	}
	if r.DistributionMlPerKg > 0 {
		out.DistributionMlPerKg, out.DistributionRangeMlPerKg = &r.DistributionMlPerKg, span(r.DistributionRangeMlPerKg)
	}
	if plan := r.Bags; plan != nil {
		out.BagsNow, out.BagsTotal = new(int32(plan.BagsNow)), new(int32(plan.BagsTotal))
		out.Bags = &pb.BagPlan{Now: outcome(&plan.Now), Total: outcome(&plan.Total), OneFewer: outcome(plan.OneFewer), Asked: outcome(plan.Asked)}
	}
	return answer(out, err)
}

// ownShare reads what the practice's own rechecks say: both numbers, or neither.
func (n *needs) ownShare(in *pb.DoseRequest) *engine.OwnShare {
	if in.OwnShareN == nil && in.OwnShareMedian == nil {
		return nil
	}
	n.number("own_share_median", in.OwnShareMedian, "the median share, with own_share_n, the number of foals")
	return &engine.OwnShare{N: int(in.GetOwnShareN()), Median: in.GetOwnShareMedian()}
}

// bags reads bags as ML@G_PER_L, or as ML alone.
func (n *needs) bags(texts []string) (out []engine.DoseBag) {
	for _, text := range texts {
		ml, igg, found := strings.Cut(text, "@")
		bag := engine.DoseBag{VolumeMl: n.part("bag", text, ml, wantBag)}
		if found {
			bag.IgGGPerL = new(n.part("bag", text, igg, wantBag))
		}
		out = append(out, bag)
	}
	return out
}

const wantBag = "the mL of a bag and its IgG in g/L, such as 950@18, or the mL alone"

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
