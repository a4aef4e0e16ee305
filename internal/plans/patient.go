package plans

import (
	"context"

	"thawtrail/internal/engine"
	pb "thawtrail/proto/thawtrail/v1"
)

// Weigh estimates a weight from a tape.
func (p *Plans) Weigh(_ context.Context, in *pb.WeighRequest) (*pb.WeighResponse, error) {
	var n needs
	girth := n.number("girth_cm", in.GirthCm, "the girth in cm")
	if n.err != nil {
		return nil, n.err
	}
	r, err := engine.Weigh(engine.WeighInput{Kind: in.Kind, GirthCm: girth, LengthCm: in.LengthCm, AgeH: in.AgeH})
	b := basisOf(r.Basis)
	return answer(&pb.WeighResponse{
		WeightKg: span(r.WeightKg),
		Cautions: b.cautions, Steps: b.steps, Sources: b.sources, Versions: b.versions,
	}, err)
}

// Assess sorts an IgG; asked for the signs, it lists them and nothing else.
func (p *Plans) Assess(_ context.Context, in *pb.AssessRequest) (*pb.AssessResponse, error) {
	if in.Signs {
		out := &pb.AssessResponse{Versions: []string{engine.Version}}
		for _, s := range engine.Signs() {
			out.KnownSigns = append(out.KnownSigns, s.Name)
		}
		return out, nil
	}
	var n needs
	reading := n.igg(in.IggGPerL, in.IggMgPerDl, in.IggBand, in.IggUnknown)
	if n.err != nil {
		return nil, n.err
	}
	r, err := engine.Assess(engine.AssessInput{
		AgeH: in.AgeH, IgGReading: reading, Signs: in.Sign, TemperatureC: in.TemperatureC, GestationD: in.GestationD,
		GlucoseMmolPerL: in.GlucoseMmolPerL, GlucoseMgPerDL: in.GlucoseMgPerDl,
		PCVPercent: in.PcvPercent, LactateMmolPerL: in.LactateMmolPerL, Isoerythrolysis: in.Isoerythrolysis,
	})
	b := basisOf(r.Basis)
	return answer(&pb.AssessResponse{
		IggClass: r.IgGClass, Provisional: r.Provisional, ColostrumWindow: r.ColostrumWindow,
		OfferReferral: r.OfferReferral, Because: r.Because, OtherSchemeClass: r.OtherSchemeClass,
		Cautions: b.cautions, Steps: b.steps, Sources: b.sources, Versions: b.versions,
	}, err)
}

// Test weighs a barn test's answer; asked for the kinds, it lists them.
func (p *Plans) Test(_ context.Context, in *pb.TestRequest) (*pb.TestResponse, error) {
	if in.Kinds {
		out := &pb.TestResponse{Versions: []string{engine.Version}}
		for _, k := range engine.StallTests() {
			if n := len(out.KnownKinds); n == 0 || out.KnownKinds[n-1] != k.Kind {
				out.KnownKinds = append(out.KnownKinds, k.Kind)
			}
			out.KnownTests = append(out.KnownTests, &pb.PublishedTest{
				Kind: k.Kind, CutGPerL: k.CutGPerL, Sensitivity: k.Sensitivity, Specificity: k.Specificity, Note: k.Note, Source: k.Source,
			})
		}
		return out, nil
	}
	r, err := engine.StallTest(engine.StallTestInput{
		Kind: in.Kind, Sensitivity: in.Sensitivity, Specificity: in.Specificity,
		CutGPerL: in.CutGPerL, Result: in.Result, Prevalence: in.Prevalence,
	})
	b := basisOf(r.Basis)
	return answer(&pb.TestResponse{
		Sensitivity: &r.Sensitivity, Specificity: &r.Specificity, CutGPerL: r.CutGPerL,
		ProbBelowCut: r.ProbBelowCut, LikelihoodRatioBelow: r.LikelihoodRatioBelow, LikelihoodRatioAbove: r.LikelihoodRatioAbove,
		Cautions: b.cautions, Steps: b.steps, Sources: b.sources, Versions: b.versions,
	}, err)
}

// Response tells what the IgG after plasma says.
func (p *Plans) Response(_ context.Context, in *pb.ResponseRequest) (*pb.ResponseResponse, error) {
	var n needs
	input := engine.ResponseInput{
		WeightKg:       n.number("weight_kg", in.WeightKg, "the weight in kg; there is no default"),
		IgGBeforeGPerL: in.IggBeforeGPerL,
		IgGAfterGPerL:  in.IggAfterGPerL,
		GivenMl:        n.number("given_ml", in.GivenMl, "the mL given"),
		DonorIgGGPerL:  n.number("donor_igg_g_per_l", in.DonorIggGPerL, "the IgG of the plasma in g/L"),
		AgeH:           in.AgeH, DistributionMlPerKg: in.DistributionMlPerKg,
	}
	if n.err != nil {
		return nil, n.err
	}
	r, err := engine.Response(input)
	b := basisOf(r.Basis)
	return answer(&pb.ResponseResponse{
		ApparentDistributionMlPerKg: r.ApparentDistributionMlPerKg, ShareFound: r.ShareFound,
		RiseGPerL: r.RiseGPerL, IggGivenG: r.IgGGivenG, IggClassAfter: r.IgGClassAfter,
		Cautions: b.cautions, Steps: b.steps, Sources: b.sources, Versions: b.versions,
	}, err)
}

// Protein plans plasma for low total protein.
func (p *Plans) Protein(_ context.Context, in *pb.ProteinRequest) (*pb.ProteinResponse, error) {
	var n needs
	input := engine.ProteinInput{
		WeightKg:      n.number("weight_kg", in.WeightKg, "the weight in kg; there is no default"),
		TPGPerL:       n.number("tp_g_per_l", in.TpGPerL, "the total protein in g/L"),
		TargetTPGPerL: n.number("target_tp_g_per_l", in.TargetTpGPerL, "the wanted total protein in g/L"),
		DonorTPGPerL:  n.number("donor_tp_g_per_l", in.DonorTpGPerL, "the total protein of the plasma in g/L"),
		SpaceFactor:   in.SpaceFactor, PlasmaVolumeMlPerKg: in.PlasmaVolumeMlPerKg,
	}
	if n.err != nil {
		return nil, n.err
	}
	r, err := engine.Protein(input)
	b := basisOf(r.Basis)
	return answer(&pb.ProteinResponse{
		VolumeMl: span(r.VolumeMl), VolumeMlPerKg: span(r.VolumeMlPerKg),
		Cautions: b.cautions, Steps: b.steps, Sources: b.sources, Versions: b.versions,
	}, err)
}
