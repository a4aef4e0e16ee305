package ledger

import pb "thawtrail/proto/thawtrail/v1"

// Temperature is the readings of one place in one month (UTC).
type Temperature struct {
	_ struct{} `cbor:",toarray"`
	Common
	Readings []Reading // happened order
}

// Reading of a place, in 0.1 C.
type Reading struct {
	_       struct{} `cbor:",toarray"`
	Stamp   Stamp
	NowDc   int32
	LeastDc *int32 // since the reading before
	MostDc  *int32
}

// foldTemperature keeps no story beside the readings, which are one.
func foldTemperature(s *set) State {
	t := &Temperature{}
	for _, f := range s.story {
		if p, ok := f.body.(*pb.TemperatureRead); ok {
			t.Readings = append(t.Readings, Reading{
				Stamp: f.stamp(), NowDc: p.NowDc, LeastDc: copied(p.LeastDc), MostDc: copied(p.MostDc),
			})
		}
	}
	s.timeline = nil
	t.Common = s.common()
	return t
}
