package query

import (
	"cmp"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/say"
	pb "thawtrail/proto/thawtrail/v1"
)

// ofMoney tells of the price list and of what is charged; false when it is nothing of
// that.
func (w *teller) ofMoney(m proto.Message) bool {
	switch p := m.(type) {
	case *pb.PriceSet:
		w.begin(say.Text("tale.price", w.b.itemWords(p.Item, p.Product, p.Name), moneyIn(p.GetPriceMinor(), cmp.Or(p.Currency, w.b.currency()))))
		w.from(p.HoldsFrom)
	case *pb.TaxSet:
		w.begin(say.Text("tale.tax", p.Name, hundredth(p.GetRateBp())))
		w.from(p.HoldsFrom)
	case *pb.ChargeAdded:
		w.begin(say.Text("tale.charge_added", w.b.itemWords(p.Item, p.Product, p.Name)))
		w.ownCharge(p.Count, p.PriceMinor, p.Currency)
		w.and(quoted(p.Reason))
	case *pb.ChargeChanged:
		w.begin(say.Text("tale.charge_changed", p.Line))
		w.ownCharge(p.Count, p.PriceMinor, p.Currency)
		w.and(quoted(p.Reason))
	case *pb.ChargeTakenOff:
		w.begin(say.Text("tale.charge_off", p.Line))
		w.and(quoted(p.Reason))
	case *pb.ChargeExplained:
		w.title(say.Text("tale.charge_explained"))
		w.and(quoted(p.Text))
	case *pb.CaseInvoiced:
		w.begin(say.Text("tale.invoiced", p.Number))
		w.and(p.On)
	default:
		return false
	}
	return true
}

// from tells from when it holds, where somebody said so.
func (w *teller) from(m *pb.Moment) {
	if m != nil {
		w.and(say.Text("tale.holds_from", w.b.Clock(m.UnixMs)))
	}
}

// ownCharge tells a person's own count and price.
func (w *teller) ownCharge(count *int32, minor *int64, currency string) {
	w.and(maybe(count, func(n int32) string { return say.Text("tale.charge_count", n) }))
	if minor != nil {
		w.and(say.Text("tale.each", moneyIn(*minor, cmp.Or(currency, w.b.currency()))))
	}
}
