package plans

import (
	"context"

	"thawtrail/internal/engine"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// Interval is the exact interval of a proportion.
func (p *Plans) Interval(_ context.Context, in *pb.IntervalRequest) (*pb.IntervalResponse, error) {
	var n needs
	input := engine.IntervalInput{
		Events: n.count("events", in.Events, "how many events"), Trials: n.count("trials", in.Trials, "out of how many"),
		Confidence: in.Confidence,
	}
	if n.err != nil {
		return nil, n.err
	}
	r, err := engine.Interval(input)
	b := basisOf(r.Basis)
	return answer(&pb.IntervalResponse{
		Low: r.Low, High: r.High, Share: r.Share, OneSidedHigh: r.OneSidedHigh,
		Cautions: b.cautions, Steps: b.steps, Sources: b.sources, Versions: b.versions,
	}, err)
}

// Exact is Fisher's exact test.
func (p *Plans) Exact(_ context.Context, in *pb.ExactRequest) (*pb.ExactResponse, error) {
	var n needs
	const want = "a count; all four of the table are needed"
	input := engine.ExactInput{A: n.count("a", in.A, want), B: n.count("b", in.B, want), C: n.count("c", in.C, want), D: n.count("d", in.D, want)}
	if n.err != nil {
		return nil, n.err
	}
	r, err := engine.Exact(input)
	b := basisOf(r.Basis)
	return answer(&pb.ExactResponse{
		PTwoSided: r.PTwoSided, PGreater: r.PGreater, PLess: r.PLess,
		Cautions: b.cautions, Steps: b.steps, Sources: b.sources, Versions: b.versions,
	}, err)
}

// usualService is the wanted probability of having enough when none was given.
const usualService = 0.95

// Demand sizes a season's stock, from a number of foals or from a mean need.
func (p *Plans) Demand(_ context.Context, in *pb.DemandRequest) (*pb.DemandResponse, error) {
	service := usualService
	if in.Service != nil {
		service = *in.Service
	}
	if in.Mean != nil {
		return steadyDemand(in, service)
	}
	var n needs
	input := engine.DemandInput{
		Foals:       n.count("foals", in.Foals, "how many foals are expected"),
		FailureRate: n.number("failure_rate", in.FailureRate, "the share of foals that will need plasma, 0 to 1"),
		Service:     service,
	}
	if n.err != nil {
		return nil, n.err
	}
	r, err := engine.Demand(input)
	b := basisOf(r.Basis)
	return answer(&pb.DemandResponse{
		FoalsCovered: int32(r.FoalsCovered), Probability: r.Probability, Expected: r.Expected,
		Cautions: b.cautions, Steps: b.steps, Sources: b.sources, Versions: b.versions,
	}, err)
}

func steadyDemand(in *pb.DemandRequest, service float64) (*pb.DemandResponse, error) {
	if in.Foals != nil || in.FailureRate != nil {
		return nil, refusal.New("mean", *in.Mean, "either a mean need, or foals and a failure_rate")
	}
	r, err := engine.SteadyDemand(engine.SteadyDemandInput{Mean: *in.Mean, Service: service})
	b := basisOf(r.Basis)
	return answer(&pb.DemandResponse{
		FoalsCovered: int32(r.Stock), Probability: r.Probability, Expected: *in.Mean,
		ExpectedShort: &r.ExpectedShort, Filled: &r.Filled,
		Cautions: b.cautions, Steps: b.steps, Sources: b.sources, Versions: b.versions,
	}, err)
}
