package plans

import (
	"context"

	"thawtrail/internal/engine"
	pb "thawtrail/proto/thawtrail/v1"
)

// Mkt is the mean kinetic temperature of readings.
func (p *Plans) Mkt(_ context.Context, in *pb.MktRequest) (*pb.MktResponse, error) {
	r, err := engine.Mkt(engine.MktInput{Celsius: in.Celsius, DHOverRK: in.DhOverRK})
	b := basisOf(r.Basis)
	return answer(&pb.MktResponse{
		MeanKineticC: r.MeanKineticC, MeanC: r.MeanC,
		Cautions: b.cautions, Steps: b.steps, Sources: b.sources, Versions: b.versions,
	}, err)
}
