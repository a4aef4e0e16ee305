package ledger

import pb "thawtrail/proto/thawtrail/v1"

// Donor is a donor of plasma that the practice made.
type Donor struct {
	_ struct{} `cbor:",toarray"`
	Common
	Name           string
	Chip           string
	BloodType      string
	AntibodyScreen string
	InfectionTests string
	CollectedOn    string
	Anticoagulant  string
	IggCgPerL      *int32
}

func foldDonor(s *set) State {
	d := &Donor{}
	for _, f := range s.facts {
		if p, ok := f.body.(*pb.DonorRecorded); ok {
			d.Name, d.Chip, d.BloodType = p.Name, p.Chip, p.BloodType
			d.AntibodyScreen, d.InfectionTests = p.AntibodyScreen, p.InfectionTests
			d.CollectedOn, d.Anticoagulant, d.IggCgPerL = p.CollectedOn, p.Anticoagulant, copied(p.IggCgPerL)
		}
	}
	d.Common = s.common()
	return d
}
