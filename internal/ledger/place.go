package ledger

import pb "thawtrail/proto/thawtrail/v1"

// Place is where bags or kit lie. What lies there is asked of bags and kit.
type Place struct {
	_ struct{} `cbor:",toarray"`
	Common
	Name    string
	Kind    pb.PlaceKind
	Vehicle string
	Warm    []WarmSpan // happened order

	// What the practice asks of it, beside the labels of what lies there.
	WarmestDc, ColdestDc *int32
	ReadEveryH           int32  // 0: no schedule
	Named                *Stamp // by which record
}

// WarmSpan is a time in which the place was warm or off. Every bag that lay
// there then is set aside until a decision names Stamp.Record.
type WarmSpan struct {
	_      struct{} `cbor:",toarray"`
	Stamp  Stamp
	FromMs int64
	ToMs   int64 // 0: it is not known to have ended
	MostDc *int32
	Reason string
}

// Covers says that the span meets a stay from one instant to another; toMs 0 is
// a stay that has not ended.
func (w *WarmSpan) Covers(fromMs, toMs int64) bool {
	return (w.ToMs == 0 || fromMs <= w.ToMs) && (toMs == 0 || w.FromMs <= toMs)
}

func foldPlace(s *set) State {
	pl := &Place{}
	for _, f := range s.facts {
		if p, ok := f.body.(*pb.PlaceAdded); ok {
			at := f.stamp()
			pl.Name, pl.Kind, pl.Vehicle, pl.Named = p.Name, p.Kind, p.Vehicle, &at
			pl.WarmestDc, pl.ColdestDc, pl.ReadEveryH = copied(p.WarmestDc), copied(p.ColdestDc), p.GetReadEveryH()
		}
	}
	for _, f := range s.story {
		if p, ok := f.body.(*pb.PlaceWarm); ok {
			pl.Warm = append(pl.Warm, WarmSpan{
				Stamp: f.stamp(), FromMs: p.From.GetUnixMs(), ToMs: p.To.GetUnixMs(),
				MostDc: copied(p.MostDc), Reason: p.Reason,
			})
		}
	}
	pl.Common = s.common()
	return pl
}
