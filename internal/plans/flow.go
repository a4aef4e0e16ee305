package plans

import (
	"context"

	"thawtrail/internal/engine"
	pb "thawtrail/proto/thawtrail/v1"
)

// Flow tells how fast gravity drives plasma with the clamp open.
func (p *Plans) Flow(_ context.Context, in *pb.FlowRequest) (*pb.FlowResponse, error) {
	r, err := engine.Flow(engine.FlowInput{
		CatheterGauge: in.CatheterGauge, CatheterMm: in.CatheterMm, CatheterLengthMm: in.CatheterLengthMm,
		TubeMm: in.TubeMm, TubeM: in.TubeM, HeadCm: in.HeadCm, VenousCmH2O: in.VenousCmh2O,
		ViscosityMPas: in.ViscosityMpas, PlasmaTempC: in.PlasmaTempC, DensityKgPerM3: in.DensityKgPerM3, KLoss: in.KLoss,
		VolumeMl: in.VolumeMl, WeightKg: in.WeightKg, CeilingMlPerKgPerH: in.CeilingMlPerKgPerH,
	})
	b := basisOf(r.Basis)
	return answer(&pb.FlowResponse{
		FlowMlPerMin: span(r.FlowMlPerMin), PoiseuilleMlPerMin: r.PoiseuilleMlPerMin, TorricelliMlPerMin: r.TorricelliMlPerMin, Reynolds: r.Reynolds,
		Minutes: spanOf(r.Minutes), MlPerKgPerH: spanOf(r.MlPerKgPerH),
		Cautions: b.cautions, Steps: b.steps, Sources: b.sources, Versions: b.versions,
	}, err)
}
