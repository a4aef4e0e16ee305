package ledger

import (
	"slices"

	pb "thawtrail/proto/thawtrail/v1"
)

// Person of the practice. Which of the grants stand is asked of Rights.
type Person struct {
	_ struct{} `cbor:",toarray"`
	Common
	Name         string
	Registration string
	Telephone    *Sealed        // the newest
	Granted      []RolesGranted // written order
}

// RolesGranted is one grant that was made.
type RolesGranted struct {
	_     struct{} `cbor:",toarray"`
	Stamp Stamp
	Roles []pb.Role
}

func foldPerson(s *set) State {
	pe := &Person{}
	for _, f := range s.facts {
		switch p := f.body.(type) {
		case *pb.PracticeFounded:
			pe.Name = p.OwnerName
			pe.Granted = append(pe.Granted, RolesGranted{Stamp: f.stamp(), Roles: slices.Clone(foundersRoles)})
		case *pb.PersonAdded:
			pe.Name, pe.Registration = p.Name, p.Registration
		case *pb.PersonReached:
			pe.Telephone = sealedOf(p.Telephone)
		case *pb.RoleGranted:
			pe.Granted = append(pe.Granted, RolesGranted{Stamp: f.stamp(), Roles: slices.Clone(p.Roles)})
		}
	}
	pe.Common = s.common()
	return pe
}
