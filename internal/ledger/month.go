package ledger

import pb "thawtrail/proto/thawtrail/v1"

// Month is a month of the books.
type Month struct {
	_ struct{} `cbor:",toarray"`
	Common
	Closed *Stamp // by whom, the last in written order; nil while it is open
	Note   string
	// Figures are the balance by place as it stood when the month was closed.
	Figures []Figure
}

// Figure is one line of the balance of a place.
type Figure struct {
	_         struct{} `cbor:",toarray"`
	Place     string
	How       string
	Out       bool
	Reason    string
	Bags      int32
	VolumeMl  int64
	CostMinor int64
}

func foldMonth(s *set) State {
	m := &Month{}
	for _, f := range s.facts {
		if p, ok := f.body.(*pb.MonthClosed); ok {
			at := f.stamp()
			m.Closed, m.Note, m.Figures = &at, p.Note, nil
			for _, l := range p.Figures {
				m.Figures = append(m.Figures, Figure{
					Place: l.GetPlace(), How: l.GetWay(), Out: l.GetOut(), Reason: l.GetReason(), Bags: l.GetBags(), VolumeMl: l.GetVolumeMl(), CostMinor: l.GetCostMinor(),
				})
			}
		}
	}
	m.Common = s.common()
	return m
}
