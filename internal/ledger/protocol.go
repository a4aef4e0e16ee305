package ledger

import pb "thawtrail/proto/thawtrail/v1"

// Protocol is the practice's own numbers for treating, under one name.
type Protocol struct {
	_ struct{} `cbor:",toarray"`
	Common
	Versions []ProtocolVersion // written order; the last one stands
}

// ProtocolVersion is one set of numbers. A nil number keeps the program's own.
type ProtocolVersion struct {
	_                  struct{} `cbor:",toarray"`
	Stamp              Stamp
	TargetIggCgPerL    *int32
	StartUlPerKg       *int32
	StartMin           *int32
	CeilingMlPerKgPerH *int32
	HeartRateRise      *int32
	BreathingRateRise  *int32
	ReactionCard       string
	CheckedBy          string
	TemperatureRiseDc  *int32
	CeilingMlPerKg24H  *int32
}

// Current is the version that stands; nil when there is none.
func (p *Protocol) Current() *ProtocolVersion {
	if len(p.Versions) == 0 {
		return nil
	}
	return &p.Versions[len(p.Versions)-1]
}

func foldProtocol(s *set) State {
	pr := &Protocol{}
	for _, f := range s.facts {
		if p, ok := f.body.(*pb.ProtocolSet); ok {
			pr.Versions = append(pr.Versions, ProtocolVersion{
				Stamp: f.stamp(), TargetIggCgPerL: copied(p.TargetIggCgPerL), StartUlPerKg: copied(p.StartUlPerKg),
				StartMin: copied(p.StartMin), CeilingMlPerKgPerH: copied(p.CeilingMlPerKgPerH),
				HeartRateRise: copied(p.HeartRateRise), BreathingRateRise: copied(p.BreathingRateRise),
				ReactionCard: p.ReactionCard, CheckedBy: p.CheckedBy,
				TemperatureRiseDc: copied(p.TemperatureRiseDc), CeilingMlPerKg24H: copied(p.CeilingMlPerKg_24H),
			})
		}
	}
	pr.Common = s.common()
	return pr
}
