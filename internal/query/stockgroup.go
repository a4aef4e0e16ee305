package query

import (
	"cmp"
	"slices"
	"strconv"
	"strings"

	"thawtrail/internal/event"
	"thawtrail/internal/label"
	"thawtrail/internal/ledger"
	"thawtrail/internal/refusal"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// search is what a person looks for in the stock: words, each of which a bag must have.
type search []string

func searchOf(text string) search { return strings.Fields(strings.ToLower(text)) }

// fits says that each word stands in what a row tells of its bag. A number or a batch is
// found with and without its dashes.
func (s search) fits(row *pb.BagRow) bool {
	if len(s) == 0 {
		return true
	}
	told := []string{bagText(row.Bag), row.Bag, row.Batch, label.CanonicalBatch(row.Batch), row.Product, row.Place, row.Expiry, row.State, row.LeftTo}
	text := strings.ToLower(strings.Join(append(told, row.States...), "\n"))
	text = strings.ReplaceAll(text, "_", " ")
	return !slices.ContainsFunc(s, func(word string) bool { return !strings.Contains(text, word) })
}

// stockOrders are the ways in which the groups of a place are sorted.
var stockOrders = map[string]func(x, y *pb.StockGroup) int{
	"":       byUse,
	"use_by": byUse,
	"product": func(x, y *pb.StockGroup) int {
		return cmp.Compare(strings.ToLower(x.Product), strings.ToLower(y.Product))
	},
	"batch": func(x, y *pb.StockGroup) int {
		return cmp.Compare(label.CanonicalBatch(x.Batch), label.CanonicalBatch(y.Batch))
	},
	"bags":   func(x, y *pb.StockGroup) int { return cmp.Compare(y.Count, x.Count) },
	"volume": func(x, y *pb.StockGroup) int { return cmp.Compare(y.TotalMl, x.TotalMl) },
}

func byUse(x, y *pb.StockGroup) int {
	return cmp.Compare(lastIfNone(x.UseBy), lastIfNone(y.UseBy))
}

// stockOrder finds an order by its name.
func stockOrder(name string) (func(x, y *pb.StockGroup) int, error) {
	order, ok := stockOrders[name]
	if !ok {
		return nil, refusal.New("sort", name, "use_by, product, batch, bags or volume")
	}
	return order, nil
}

// groupStock puts bags that are alike into one row each, place by place, and sums what
// lies at each place by its state. The bags of an answer are in the order of their
// places, and stay so.
func groupStock(out *pb.ListStockResponse, order func(x, y *pb.StockGroup) int) {
	groups, sums := map[string]*pb.StockGroup{}, map[string]*pb.StockSum{}
	for _, b := range out.Bags {
		key := strings.Join(append([]string{b.PlaceId, b.Product, b.Batch, b.Expiry, b.UseBy, strconv.Itoa(int(b.VolumeMl)), b.State},
			slices.Concat(b.States, b.Because)...), "\x00")
		g := groups[key]
		if g == nil {
			g = &pb.StockGroup{
				Place: b.Place, PlaceId: b.PlaceId, Product: b.Product, Batch: b.Batch, Expiry: b.Expiry, UseBy: b.UseBy,
				EachMl: b.VolumeMl, State: b.State, States: b.States, Because: b.Because,
			}
			groups[key], out.Groups = g, append(out.Groups, g)
		}
		g.Count, g.TotalMl, g.Bags = g.Count+1, g.TotalMl+b.VolumeMl, append(g.Bags, b.Bag)
		s := sums[b.PlaceId+"\x00"+b.State]
		if s == nil {
			s = &pb.StockSum{Place: b.Place, PlaceId: b.PlaceId, State: b.State}
			sums[b.PlaceId+"\x00"+b.State], out.Sums = s, append(out.Sums, s)
		}
		s.Count, s.TotalMl = s.Count+1, s.TotalMl+b.VolumeMl
	}
	slices.SortStableFunc(out.Groups, func(x, y *pb.StockGroup) int {
		return cmp.Or(cmp.Compare(x.Place, y.Place), cmp.Compare(x.PlaceId, y.PlaceId), order(x, y), byUse(x, y), cmp.Compare(x.Bags[0], y.Bags[0]))
	})
	slices.SortStableFunc(out.Sums, func(x, y *pb.StockSum) int {
		return cmp.Or(cmp.Compare(x.Place, y.Place), cmp.Compare(x.PlaceId, y.PlaceId), cmp.Compare(y.Count, x.Count), cmp.Compare(x.State, y.State))
	})
	out.Bags = nil
}

// left says of a bag that has left the stock when it did, to whom or why, and in which
// cases it was given. A line without books is of an answer that tells the bag's story.
func (b *ReadView) left(bag *ledger.BagLine, row *pb.BagRow) error {
	if len(bag.Books) == 0 {
		return nil
	}
	for _, g := range bag.Given {
		row.LeftCases = append(row.LeftCases, g.Case)
	}
	if bag.Ended == ledger.EndGiven && bag.GivenMl > 0 {
		row.LeftTo = strconv.Itoa(int(bag.GivenMl)) + " mL"
	}
	books, err := bag.ReadBooks()
	if err != nil {
		return err
	}
	for _, m := range books.Moves {
		if !m.Is && (b.past.IsZero() || m.AtMs <= b.past.UnixMilli()) {
			row.LeftAt = b.Stamp(m.AtMs)
			if m.How == ledger.EndDiscarded {
				row.LeftTo = wording.Enum(m.Reason)
			}
		}
	}
	switch bag.Ended {
	case ledger.EndLent, ledger.EndLentBack, ledger.EndKeptBack: // who has it, or where it is kept
		return b.leftWhere(bag.ID, row)
	}
	return nil
}

// leftWhere reads the bag in full for whom it was lent to, or where it is kept back.
func (b *ReadView) leftWhere(id string, row *pb.BagRow) error {
	bag, err := b.Bag(id)
	if err != nil || bag == nil {
		return err
	}
	for _, e := range bag.Ends {
		if e.How == row.State {
			row.LeftTo = cmp.Or(e.To, e.Text)
			if e.Place != "" {
				row.LeftTo = strings.Trim(b.Name(event.KindPlace, e.Place)+"; "+e.Text, "; ")
			}
		}
	}
	return nil
}
