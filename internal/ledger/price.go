package ledger

import (
	"slices"

	pb "thawtrail/proto/thawtrail/v1"
)

// Price is one line of the price list, or the rate of the tax, through time.
type Price struct {
	_ struct{} `cbor:",toarray"`
	Common
	Item     pb.PriceItem // none for the tax
	Product  string
	Name     string
	Versions []PriceVersion // as they were written
}

// PriceVersion is a price, or the rate of the tax, from a moment on.
type PriceVersion struct {
	_          struct{} `cbor:",toarray"`
	Stamp      Stamp
	FromMs     int64
	PriceMinor int64
	Currency   string
	RateBp     int32 // 0.01 %
}

// foldPrice lets a version count from the moment that it tells, but a later one from when
// it was written at the earliest: what was charged before it keeps its price. The first
// may reach back, since nothing had a price before it.
func foldPrice(s *set) State {
	p := &Price{}
	for _, f := range s.facts {
		v := PriceVersion{Stamp: f.stamp(), FromMs: f.atMs}
		var from *pb.Moment
		switch body := f.body.(type) {
		case *pb.PriceSet:
			p.Item, p.Product, p.Name = body.Item, body.Product, body.Name
			v.PriceMinor, v.Currency, from = body.GetPriceMinor(), body.Currency, body.HoldsFrom
		case *pb.TaxSet:
			p.Name, v.RateBp, from = body.Name, body.GetRateBp(), body.HoldsFrom
		default:
			continue
		}
		if from != nil {
			v.FromMs = from.UnixMs
		}
		if len(p.Versions) > 0 {
			v.FromMs = max(v.FromMs, f.rec.Head.WallUs/1000)
		}
		p.Versions = append(p.Versions, v)
	}
	p.Common = s.common()
	return p
}

// At is the version that holds at a moment: the one that began last, and of two that
// began together the one written later. It is nil before the first.
func (p *Price) At(ms int64) (out *PriceVersion) {
	if p == nil {
		return nil
	}
	for i := range p.Versions {
		if v := &p.Versions[i]; v.FromMs <= ms && (out == nil || out.FromMs <= v.FromMs) {
			out = v
		}
	}
	return out
}

// ToCome are the versions that begin after a moment, as they will.
func (p *Price) ToCome(ms int64) (out []PriceVersion) {
	for _, v := range p.Versions {
		if v.FromMs > ms {
			out = append(out, v)
		}
	}
	slices.SortStableFunc(out, func(x, y PriceVersion) int { return int(min(max(x.FromMs-y.FromMs, -1), 1)) })
	return out
}

// cut keeps the newest prices of one that was set without end.
func (p *Price) cut() {
	p.Common.cut()
	p.Versions = p.Versions[max(0, len(p.Versions)-2*cutTimeline):]
}
