package ledger

import pb "thawtrail/proto/thawtrail/v1"

// Vehicle of the practice.
type Vehicle struct {
	_ struct{} `cbor:",toarray"`
	Common
	Name         string
	Registration string
}

func foldVehicle(s *set) State {
	v := &Vehicle{}
	for _, f := range s.facts {
		if p, ok := f.body.(*pb.VehicleAdded); ok {
			v.Name, v.Registration = p.Name, p.Registration
		}
	}
	v.Common = s.common()
	return v
}
