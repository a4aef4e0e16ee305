package entry

import (
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// fillMoney notes the currency of an amount, which the practice may change later, and what
// a case came to when it was invoiced.
func (b view) fillMoney(m proto.Message) (err error) {
	currency := ""
	if p := b.Practice(); p != nil {
		currency = p.Currency
	}
	switch p := m.(type) {
	case *pb.PriceSet:
		p.Currency = currency
	case *pb.ChargeAdded:
		p.Currency = currency
	case *pb.ChargeChanged:
		p.Currency = currency
	case *pb.EstimateAgreed:
		p.Currency = currency
	case *pb.CaseInvoiced:
		if p.On == "" {
			p.On = b.Now().In(b.Zone()).Format("2006-01-02")
		}
		c, err := b.Case(p.Case)
		if err != nil || c == nil {
			return err
		}
		p.Lines, err = b.Invoiced(c)
		return err
	}
	return nil
}

// checkMoney refuses what cannot be a price or a line. Nothing of it stands before a
// treatment. A correction may say anew from when a price held.
func (b view) checkMoney(m proto.Message, instead bool) error {
	switch p := m.(type) {
	case *pb.PriceSet:
		if err := checkItem(p.Item, p.Product, p.Name); err != nil {
			return err
		}
		return b.checkFrom(event.PriceID(p.Item, p.Product, p.Name), p.HoldsFrom, instead)
	case *pb.TaxSet:
		return b.checkFrom(event.TaxID, p.HoldsFrom, instead)
	case *pb.ChargeAdded:
		return checkItem(p.Item, p.Product, p.Name)
	case *pb.ChargeChanged:
		if p.Count == nil && p.PriceMinor == nil {
			return refusal.New("price", "", "an own price, or an own count")
		}
		return b.checkLine(p.Case, p.Line)
	case *pb.ChargeTakenOff:
		return b.checkLine(p.Case, p.Line)
	}
	return nil
}

// checkItem wants a name for what has no name of its own, and a product of bags alone.
func checkItem(item pb.PriceItem, product, name string) error {
	other := item == pb.PriceItem_PRICE_ITEM_OTHER
	bag := item == pb.PriceItem_PRICE_ITEM_BAG || item == pb.PriceItem_PRICE_ITEM_REST_OF_BAG || item == pb.PriceItem_PRICE_ITEM_UNUSED_BAG
	switch {
	case other && strings.TrimSpace(name) == "":
		return refusal.New("name", name, "what it is, as it stands on a bill")
	case !other && name != "":
		return refusal.New("name", name, "nothing: only what is 'other' has a name of its own")
	case !bag && product != "":
		return refusal.New("product", product, "nothing: only bags are of a product")
	}
	return nil
}

// checkFrom refuses a price that is to reach back where one holds already: what was
// charged keeps the price of its time. A wrong price is corrected instead.
func (b view) checkFrom(id string, from *pb.Moment, instead bool) error {
	if instead || from == nil || from.UnixMs >= b.Now().UnixMilli() {
		return nil
	}
	s, err := b.State(event.Key{Kind: event.KindPrice, ID: id})
	if err != nil {
		return err
	}
	if p, ok := s.(*ledger.Price); ok && len(p.Versions) > 0 {
		return refusal.Conflict("holds_from", b.Clock(from.UnixMs), "a moment that is still to come: what was charged keeps the price of its time").
			Because("a price that was typed wrongly is corrected by 'correct'")
	}
	return nil
}

// checkLine wants a line that the case has.
func (b view) checkLine(id, line string) error {
	c, err := b.Case(id)
	if err != nil || c == nil {
		return err
	}
	lines, err := b.ChargeLines(c)
	if err != nil || slices.Contains(lines, line) {
		return err
	}
	want := "a line of this case, as 'charge show' names it"
	if len(lines) > 0 {
		want += ": " + strings.Join(lines[:min(len(lines), 12)], ", ")
	}
	return refusal.Conflict("line", line, want)
}
