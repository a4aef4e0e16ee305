package entry

import (
	"slices"

	"thawtrail/internal/event"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// fillOrder finds the order that is told again; a new one needs to say what was ordered.
func (b view) fillOrder(p *pb.BagsOrdered, made []string) ([]string, error) {
	if slices.Contains(made, p.Order) {
		switch {
		case p.Ended != pb.OrderEnd_ORDER_END_UNSPECIFIED:
			return made, refusal.New("order", "", "the order that "+event.EnumWord(p.Ended.Descriptor().Values().ByNumber(p.Ended.Number()))+", as 'stock levels' lists it")
		case p.Product == "":
			return made, refusal.New("product", "", "the product that was ordered")
		case p.Count == 0:
			return made, refusal.New("count", p.Count, "how many bags were ordered")
		}
		return made, nil
	}
	id, err := b.Resolve("order", event.KindOrder, p.Order)
	p.Order = id
	return made, err
}
