package ledger

import (
	"cmp"

	pb "thawtrail/proto/thawtrail/v1"
)

// Order is an order of bags that a person placed.
type Order struct {
	_ struct{} `cbor:",toarray"`
	Common
	Product    string
	Count      int32
	Supplier   string
	ExpectedOn string
	Reference  string
	Text       string
	Ended      pb.OrderEnd
	Placed     *Stamp // the first word of it
}

// foldOrder lets a later word replace an earlier one field by field.
func foldOrder(s *set) State {
	o := &Order{}
	for _, f := range s.facts {
		p, ok := f.body.(*pb.BagsOrdered)
		if !ok {
			continue
		}
		if o.Placed == nil {
			at := f.stamp()
			o.Placed = &at
		}
		o.Product, o.Count, o.Supplier = cmp.Or(p.Product, o.Product), cmp.Or(p.Count, o.Count), cmp.Or(p.Supplier, o.Supplier)
		o.ExpectedOn, o.Reference, o.Text = cmp.Or(p.ExpectedOn, o.ExpectedOn), cmp.Or(p.Reference, o.Reference), cmp.Or(p.Text, o.Text)
		o.Ended = cmp.Or(p.Ended, o.Ended)
	}
	o.Common = s.common()
	return o
}

func (o *Order) terms() []string {
	if o.Placed == nil || o.Ended != pb.OrderEnd_ORDER_END_UNSPECIFIED {
		return nil
	}
	return []string{Dated(TermOrdered, o.Placed.AtMs)}
}
