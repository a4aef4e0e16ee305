package ledger

import (
	"cmp"

	pb "thawtrail/proto/thawtrail/v1"
)

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

	AntibodyResult  pb.ScreenResult
	AntibodyOn      string // day of the sample
	InfectionResult pb.ScreenResult
	InfectionOn     string
}

// foldDonor lets a later word replace an earlier one field by field: a new screen
// leaves the blood type as it was told.
func foldDonor(s *set) State {
	d := &Donor{}
	for _, f := range s.facts {
		if p, ok := f.body.(*pb.DonorRecorded); ok {
			d.tell(p)
		}
	}
	d.Common = s.common()
	return d
}

func (d *Donor) tell(p *pb.DonorRecorded) {
	d.Name, d.Chip, d.BloodType = cmp.Or(p.Name, d.Name), cmp.Or(p.Chip, d.Chip), cmp.Or(p.BloodType, d.BloodType)
	d.AntibodyScreen, d.InfectionTests = cmp.Or(p.AntibodyScreen, d.AntibodyScreen), cmp.Or(p.InfectionTests, d.InfectionTests)
	d.CollectedOn, d.Anticoagulant = cmp.Or(p.CollectedOn, d.CollectedOn), cmp.Or(p.Anticoagulant, d.Anticoagulant)
	d.AntibodyResult, d.AntibodyOn = cmp.Or(p.AntibodyResult, d.AntibodyResult), cmp.Or(p.AntibodyOn, d.AntibodyOn)
	d.InfectionResult, d.InfectionOn = cmp.Or(p.InfectionResult, d.InfectionResult), cmp.Or(p.InfectionOn, d.InfectionOn)
	if p.IggCgPerL != nil {
		d.IggCgPerL = copied(p.IggCgPerL)
	}
}
