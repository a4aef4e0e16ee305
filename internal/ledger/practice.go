package ledger

import (
	"cmp"

	pb "thawtrail/proto/thawtrail/v1"
)

// Practice as it was founded and changed since; settings are entities of their own.
type Practice struct {
	_ struct{} `cbor:",toarray"`
	Common
	Name      string
	Zone      string
	Currency  string
	Owner     string // person
	IggUnit   pb.IggUnit
	FoundedMs int64
}

// foldPractice takes the first founding in written order, as the rights do, and then
// every change by an owner.
func foldPractice(s *set) State {
	pr := &Practice{}
	for _, f := range s.facts {
		switch p := f.body.(type) {
		case *pb.PracticeFounded:
			if pr.Owner == "" {
				pr.Name, pr.Zone, pr.Currency = p.Name, p.Zone, p.Currency
				pr.Owner, pr.IggUnit, pr.FoundedMs = p.Owner, p.IggUnit, f.atMs
			}
		case *pb.PracticeChanged:
			pr.Name, pr.Zone = cmp.Or(p.Name, pr.Name), cmp.Or(p.Zone, pr.Zone)
			pr.Currency, pr.IggUnit = cmp.Or(p.Currency, pr.Currency), cmp.Or(p.IggUnit, pr.IggUnit)
		}
	}
	pr.Common = s.common()
	return pr
}
