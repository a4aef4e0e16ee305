package ledger

import pb "thawtrail/proto/thawtrail/v1"

// Practice as it was founded; settings are entities of their own.
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

// foldPractice takes the first founding in written order, as the rights do.
func foldPractice(s *set) State {
	pr := &Practice{}
	for _, f := range s.facts {
		if p, ok := f.body.(*pb.PracticeFounded); ok && pr.Owner == "" {
			pr.Name, pr.Zone, pr.Currency = p.Name, p.Zone, p.Currency
			pr.Owner, pr.IggUnit, pr.FoundedMs = p.Owner, p.IggUnit, f.atMs
		}
	}
	pr.Common = s.common()
	return pr
}
