package plans

import (
	"context"
	"strings"

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
		return nil, n.err
	}
	r, err := engine.Drip(engine.DripInput{
		VolumeMl: volume, Minutes: in.Minutes, PlateauMlPerKgPerH: in.PlateauMlPerKgPerH,
		WeightKg: in.WeightKg, DropsPerMl: in.DropsPerMl, Adult: adult, Foal: in.Kind == engine.WeighFoal, NoSlowStart: in.NoSlowStart,
		CeilingMlPerKgPerH: in.CeilingMlPerKgPerH, LabelMlPerKgPerH: in.LabelMlPerKgPerH,
		StartMlPerKg: in.StartMlPerKg, StartMin: in.StartMin,
	})
	b := basisOf(r.Basis)
	if in.Reason != "" {
		b.steps = append(b.steps, "reason given: "+refusal.Shorten(in.Reason))
	}
	out := &pb.DripResponse{
		Stages: stages(r.Stages), PlateauMlPerKgPerH: above0(r.PlateauMlPerKgPerH),
		AverageMlPerKgPerH: above0(r.AverageMlPerKgPerH), AverageMlPerH: r.AverageMlPerH,
		AverageDropsPerMin: above0(r.AverageDropsPerMin), VitalsAtMin: r.VitalsAtMin,
		TotalMin: r.TotalMin, Marks: marks(r.Marks),
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
			FromMin: s.FromMin, ToMin: s.ToMin, MlPerKgPerH: above0(s.MlPerKgPerH), MlPerH: s.MlPerH,
			DropsPerMin: above0(s.DropsPerMin), VolumeMl: s.VolumeMl,
		}
	}
	return out
}

func marks(in []engine.DripMark) []*pb.DripMark {
	out := make([]*pb.DripMark, len(in))
	for i, m := range in {
		out[i] = &pb.DripMark{AtMin: m.AtMin, GivenMl: m.GivenMl, LeftMl: m.LeftMl}
	}
	return out
}

// End predicts when a running bag will be empty.
func (p *Plans) End(_ context.Context, in *pb.EndRequest) (*pb.EndResponse, error) {
	c := clockReader{now: p.Now()}
	c.readZone(in.Zone)
	if c.zone == nil {
		c.zone = c.now.Location() // 02:10 is on the clock on the wall here
	}
	input := engine.PredictEndInput{
		VolumeMl: c.number("volume_ml", in.VolumeMl, "the volume in mL"),
		WeightKg: in.WeightKg, CeilingMlPerKgPerH: in.CeilingMlPerKgPerH,
	}
	for _, text := range in.Noted {
		input.Notes = append(input.Notes, c.note(text))
	}
	if c.err != nil {
		return nil, c.err
	}
	r, err := engine.PredictEnd(input)
	b := basisOf(r.Basis)
	return answer(&pb.EndResponse{
		EndAt: instantText(r.EndAt), Early: instantText(r.Early), Late: instantText(r.Late),
		MlPerH: r.MlPerH, MlPerKgPerH: above0(r.MlPerKgPerH), LeftMl: r.LeftMl,
		Cautions: b.cautions, Steps: b.steps, Sources: b.sources, Versions: b.versions,
	}, err)
}

// note reads TIME=ML.
func (c *clockReader) note(text string) engine.DripNote {
	const want = "a time and the mL given by then, such as 02:10=150"
	at, ml, found := strings.Cut(text, "=")
	if !found || strings.TrimSpace(at) == "" {
		c.refuse(refusal.New("noted", text, want))
		return engine.DripNote{}
	}
	return engine.DripNote{At: c.instant("noted", strings.TrimSpace(at)), GivenMl: c.part("noted", text, ml, want)}
}
