package service

import (
	"context"

	"thawtrail/internal/engine"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// Drip plans rates, slow start first.
func (p *Plans) Drip(_ context.Context, in *pb.DripRequest) (*pb.DripResponse, error) {
	var n needs
	volume := n.number("volume_ml", in.VolumeMl, "the volume in mL")
	adult := in.Kind == engine.WeighAdult
	if in.Kind != "" && in.Kind != engine.WeighFoal && !adult {
		n.refuse(refusal.New("kind", in.Kind, "foal or adult"))
	}
	if n.err != nil {
		return nil, Status(n.err)
	}
	r, err := engine.Drip(engine.DripInput{
		VolumeMl: volume, Minutes: in.Minutes, PlateauMlPerKgPerH: in.PlateauMlPerKgPerH,
		WeightKg: in.WeightKg, DropsPerMl: in.DropsPerMl, Adult: adult, NoSlowStart: in.NoSlowStart,
	})
	b := basisOf(r.Basis)
	if in.Reason != "" {
		b.steps = append(b.steps, "reason given: "+refusal.Shorten(in.Reason))
	}
	out := &pb.DripResponse{
		Stages: stages(r.Stages), PlateauMlPerKgPerH: r.PlateauMlPerKgPerH,
		AverageMlPerKgPerH: r.AverageMlPerKgPerH, AverageMlPerH: r.AverageMlPerH,
		AverageDropsPerMin: above0(r.AverageDropsPerMin), VitalsAtMin: r.VitalsAtMin,
		Cautions: b.cautions, Steps: b.steps, Sources: b.sources, Versions: b.versions,
	}
	if r.AverageDropsPerMin > 0 {
		out.DropsPerMinTolerance = span(r.DropsPerMinTolerance)
	}
	return answer(out, err)
}

func stages(in []engine.DripStage) []*pb.DripStage {
	out := make([]*pb.DripStage, len(in))
	for i, s := range in {
		out[i] = &pb.DripStage{
			FromMin: s.FromMin, ToMin: s.ToMin, MlPerKgPerH: s.MlPerKgPerH, MlPerH: s.MlPerH,
			DropsPerMin: above0(s.DropsPerMin), VolumeMl: s.VolumeMl,
		}
	}
	return out
}
