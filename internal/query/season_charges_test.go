package query_test

import (
	"fmt"
	"math/big"
	"slices"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/entry/entrytest"
	pb "thawtrail/proto/thawtrail/v1"
)

// What the season's bags, sets, visits and rests come to in money, by the same plain
// counter: it knows the prices and what people said of the lines, and nothing of records.

// pricesFrom is when the season's first price list begins; nothing has a price before.
var pricesFrom = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

const seasonTaxBp = 825

// seasonPrices are those of the list, by item and product.
var seasonPrices = map[string]int64{
	"bag Foal plasma": 380_05, "bag": 299_99, "rest_of_bag": 3_33, "filtered_set": 12_15, "visit": 151_07,
	"igg_test": 41_33, "unused_bag": 290_10,
}

// From August on a visit and a test cost more: told in August, in an evening laptop's time.
var (
	dearerFrom   = time.Date(2026, 8, 10, 14, 0, 0, 0, time.UTC)
	dearerPrices = map[string]int64{"visit": 173_31, "igg_test": 44_09}
)

// listsOfTheTime types the two prices that change, each when it was decided.
func (s *season) listsOfTheTime(l *entrytest.Laptop) {
	for _, list := range []struct {
		from   time.Time
		prices map[string]int64
	}{{pricesFrom, seasonPrices}, {dearerFrom, dearerPrices}} {
		l.Clock.SetWall(list.from.Add(-24 * time.Hour))
		for item, key := range map[pb.PriceItem]string{pb.PriceItem_PRICE_ITEM_VISIT: "visit", pb.PriceItem_PRICE_ITEM_IGG_TEST: "igg_test"} {
			enter(l, seasonOwner, l.Clock.Now(), l.Entry(&pb.PriceSet{Item: item, PriceMinor: proto.Int64(list.prices[key]), HoldsFrom: momentOf(list.from)}))
		}
	}
}

// seasonMoney is what people said of charges.
type seasonMoney struct {
	added []addedCharge
	words map[string]bagWord // by bag
	tests []testDone
	bill  map[*foal]bool // those that were invoiced
}

// testDone is a test of IgG.
type testDone struct {
	at   time.Time
	foal *foal
}

// tested keeps tests of IgG to be typed, and some that were never done.
func (s *season) tested(start time.Time) {
	for i := range 50 {
		t := testDone{start.Add(time.Duration(s.random.IntN(340*24*60)) * time.Minute), pick(s, s.foals)}
		right := &pb.IggTested{Case: t.foal.id, Kind: "laboratory", IggCgPerL: proto.Int32(350)}
		if i%6 == 0 {
			s.never(t.foal.vet, t.at, right)
			continue
		}
		s.money.tests = append(s.money.tests, t)
		slip := proto.CloneOf(right)
		slip.IggCgPerL = proto.Int32(530)
		s.later(t.foal.vet, t.at, right, slip)
	}
}

// invoiced marks the bills of some foals, when all is typed.
func (s *season) invoiced() {
	s.money.bill = map[*foal]bool{}
	l := s.laptops[0]
	for i, f := range s.foals {
		if i%3 == 0 {
			s.money.bill[f] = true
			enter(l, seasonOwner, l.Clock.Now(), l.Entry(&pb.CaseInvoiced{Case: f.id, Number: fmt.Sprint(1000 + i)}))
		}
	}
	s.exchange()
}

type addedCharge struct {
	at    time.Time
	foal  *foal
	count int32
	price int64
}

type bagWord struct {
	off   bool
	count int32
	price *int64
}

// priced keeps the price list to be typed, and lines that people add.
func (s *season) priced() {
	set := func(item pb.PriceItem, product, key string) {
		right := &pb.PriceSet{Item: item, Product: product, PriceMinor: proto.Int64(seasonPrices[key]), HoldsFrom: momentOf(pricesFrom)}
		slip := proto.CloneOf(right)
		slip.PriceMinor = proto.Int64(7)
		s.later(seasonOwner, pricesFrom, right, slip)
	}
	set(pb.PriceItem_PRICE_ITEM_BAG, "Foal plasma", "bag Foal plasma")
	set(pb.PriceItem_PRICE_ITEM_BAG, "", "bag")
	set(pb.PriceItem_PRICE_ITEM_REST_OF_BAG, "", "rest_of_bag")
	set(pb.PriceItem_PRICE_ITEM_FILTERED_SET, "", "filtered_set")
	set(pb.PriceItem_PRICE_ITEM_UNUSED_BAG, "", "unused_bag")
	tax := func(bp int32) *pb.TaxSet {
		return &pb.TaxSet{Name: "GST", RateBp: &bp, HoldsFrom: momentOf(pricesFrom)}
	}
	s.later(seasonOwner, pricesFrom, tax(seasonTaxBp), tax(1))
	for i := range 40 {
		a := addedCharge{at: time.Date(2026, 2, 1, 0, i, 0, 0, time.UTC).AddDate(0, 0, s.random.IntN(300)), foal: pick(s, s.foals), count: 1 + s.random.Int32N(3), price: s.random.Int64N(400_00) - 100_00}
		line := func(price int64) *pb.ChargeAdded {
			return &pb.ChargeAdded{Case: a.foal.id, Item: pb.PriceItem_PRICE_ITEM_OTHER, Name: "line", Count: &a.count, PriceMinor: &price, Reason: "so"}
		}
		if i%5 == 0 {
			s.never(pick(s, s.vets), a.at, line(a.price))
			continue
		}
		s.money.added = append(s.money.added, a)
		s.later(pick(s, s.vets), a.at, line(a.price), line(a.price+1))
	}
}

// said keeps what people say of the lines of bags: one word for each, or one that was
// never meant.
func (s *season) said() {
	s.typed, s.money.words = nil, map[string]bagWord{}
	for _, b := range s.bags {
		if len(b.doses) == 0 {
			continue
		}
		id, line, who, at := b.doses[0].foal.id, "bag/"+b.number, pick(s, s.vets), b.doses[0].at.Add(time.Hour)
		off, own := &pb.ChargeTakenOff{Case: id, Line: line, Reason: "a gift"}, &pb.ChargeChanged{Case: id, Line: line, PriceMinor: proto.Int64(s.random.Int64N(500_00)), Reason: "so"}
		switch s.random.IntN(6) {
		case 0:
			s.money.words[b.number] = bagWord{off: true, count: 1}
			s.later(who, at, off, nil)
		case 1:
			s.money.words[b.number] = bagWord{count: 1, price: own.PriceMinor}
			slip := proto.CloneOf(own)
			slip.PriceMinor = proto.Int64(1)
			s.later(who, at, own, slip)
		case 2:
			s.money.words[b.number] = bagWord{count: 2}
			s.later(who, at, &pb.ChargeChanged{Case: id, Line: line, Count: proto.Int32(2), Reason: "so"}, &pb.ChargeChanged{Case: id, Line: line, Count: proto.Int32(3), Reason: "so"})
		case 3:
			s.never(who, at, pick(s, []proto.Message{off, own}))
		}
	}
}

// owed is one line as it truly is.
type owed struct {
	at      time.Time
	foal    *foal
	item    string
	count   int32
	price   *int64
	taxed   bool
	reckons string // where it belongs: month and client
}

// amounts are the line's amount and tax, by fractions.
func (o *owed) amounts() (amount, tax int64) {
	if o.price == nil {
		return 0, 0
	}
	amount = int64(o.count) * *o.price
	if !o.taxed {
		return amount, 0
	}
	share := new(big.Rat).SetFrac64(amount*seasonTaxBp, 10_000)
	half := big.NewRat(1, 2)
	if share.Sign() < 0 {
		half.Neg(half)
	}
	share.Add(share, half)
	return amount, new(big.Int).Quo(share.Num(), share.Denom()).Int64() // towards zero, of what was moved away from it by a half
}

// owing is the truth of what is charged.
func (s *season) owing() (out []*owed) {
	add := func(f *foal, at time.Time, item, product string, count int32, price *int64) {
		o := &owed{at: at, foal: f, item: item, count: count, price: price, taxed: !at.Before(pricesFrom)}
		if price == nil && o.taxed {
			list, known := seasonPrices[item+" "+product]
			if !known {
				list, known = seasonPrices[item]
			}
			if dearer, later := dearerPrices[item]; later && !at.Before(dearerFrom) {
				list = dearer
			}
			if known {
				o.price = &list
			}
		}
		o.reckons = at.In(s.zone()).Format("2006-01") + " " + f.clientID
		out = append(out, o)
	}
	beside := map[*foal][]time.Time{}
	for _, t := range s.money.tests {
		add(t.foal, t.at, "igg_test", "", 1, nil)
		beside[t.foal] = append(beside[t.foal], t.at)
	}
	for _, b := range s.bags {
		if b.thawedFor != nil {
			add(b.thawedFor, b.story[len(b.story)-1].at, "unused_bag", b.product, 1, nil)
		}
		if len(b.doses) == 0 {
			continue
		}
		first := b.doses[0]
		if w, ok := s.money.words[b.number]; !ok {
			add(first.foal, first.at, "bag", b.product, 1, nil)
		} else if !w.off {
			add(first.foal, first.at, "bag", b.product, w.count, w.price)
		}
		add(first.foal, first.at, "filtered_set", "", 1, nil)
		for _, d := range b.doses {
			beside[d.foal] = append(beside[d.foal], d.at)
			if !d.until.IsZero() {
				beside[d.foal] = append(beside[d.foal], d.until)
			}
		}
		for _, r := range b.rests {
			add(first.foal, r.at, "rest_of_bag", b.product, 1, nil)
		}
	}
	for f, times := range beside {
		for _, at := range times {
			before := func(o time.Time) bool { return o.Before(at) && at.Sub(o) <= 6*time.Hour }
			if !slices.ContainsFunc(times, before) {
				add(f, at, "visit", "", 1, nil)
			}
		}
	}
	for _, a := range s.money.added {
		add(a.foal, a.at, "other", "", a.count, &a.price)
	}
	return out
}

// owedSum is what lines add up to.
type owedSum struct {
	lines, without int32
	amount, tax    int64
	invoiced       int64
}

func (x *owedSum) add(lines, without int32, amount, tax int64) {
	x.lines, x.without, x.amount, x.tax = x.lines+lines, x.without+without, x.amount+amount, x.tax+tax
}

// checkCharges compares every line of every case, and every sum, with the truth.
func (s *season) checkCharges(l *entrytest.Laptop) {
	s.t.Helper()
	var want, got []string
	sums, all := map[string]owedSum{}, owedSum{}
	for _, o := range s.owing() {
		amount, tax := o.amounts()
		price := "none"
		if o.price != nil {
			price = fmt.Sprint(*o.price)
		}
		want = append(want, fmt.Sprintln(o.foal.id, o.at.UnixMilli()/1000, o.item, o.count, price, amount, tax))
		sum := sums[o.reckons]
		sum.add(1, boolOf(o.price == nil), amount, tax)
		if s.money.bill[o.foal] {
			sum.invoiced += amount + tax
		}
		sums[o.reckons] = sum
		all.add(1, boolOf(o.price == nil), amount, tax)
	}
	for _, r := range s.chargeRows(l) {
		price := "none"
		if r.PriceMinor != nil {
			price = fmt.Sprint(*r.PriceMinor)
			require.Equal(s.t, r.GetAmountMinor()+r.TaxMinor, r.GetTotalMinor())
		}
		got = append(got, fmt.Sprintln(r.Case, momentAt(s.t, r.At).Unix(), r.Item, r.Count, price, r.GetAmountMinor(), r.TaxMinor))
	}
	slices.Sort(want)
	slices.Sort(got)
	require.Equal(s.t, want, got, "the lines")
	s.checkSums(l, sums, all)
	s.checkBills(l, all)
}

func boolOf(b bool) int32 {
	if b {
		return 1
	}
	return 0
}

// chargeRows asks for the list in small parts.
func (s *season) chargeRows(l *entrytest.Laptop) (rows []*pb.ChargeRow) {
	req := &pb.ListChargesRequest{Limit: 7}
	for {
		out, err := l.ListCharges(s.t.Context(), req)
		require.NoError(s.t, err)
		rows = append(rows, out.Rows...)
		if req.After = out.Next; out.Next == "" {
			return rows
		}
	}
}

// checkSums compares the sums by month and client, of the year and month by month.
func (s *season) checkSums(l *entrytest.Laptop, want map[string]owedSum, all owedSum) {
	s.t.Helper()
	year, err := l.ListCharged(s.t.Context(), &pb.ListChargedRequest{})
	require.NoError(s.t, err)
	got := map[string]owedSum{}
	for _, r := range year.Rows {
		require.Equal(s.t, r.AmountMinor+r.TaxMinor, r.TotalMinor)
		require.Equal(s.t, r.TotalMinor, r.InvoicedMinor+r.OpenMinor)
		got[r.Month+" "+r.ClientId] = owedSum{r.Lines, r.WithoutPrice, r.AmountMinor, r.TaxMinor, r.InvoicedMinor}
	}
	require.Equal(s.t, want, got, "by month and client")
	require.Equal(s.t, []int64{all.amount, all.tax, all.amount + all.tax}, []int64{year.Totals[0].AmountMinor, year.Totals[0].TaxMinor, year.Totals[0].TotalMinor})
	months := int64(0)
	for month := 1; month <= 12; month++ {
		out, err := l.ListCharged(s.t.Context(), &pb.ListChargedRequest{From: fmt.Sprintf("2026-%02d", month)})
		require.NoError(s.t, err)
		for _, t := range out.Totals {
			months += t.TotalMinor
		}
	}
	require.Equal(s.t, all.amount+all.tax, months, "the months add up to the year")
}

// checkBills asks for each case: its lines add up to its totals, and all cases to all.
func (s *season) checkBills(l *entrytest.Laptop, all owedSum) {
	s.t.Helper()
	sum := owedSum{}
	for _, f := range s.foals {
		bill := chargesOf(l, f.id)
		own := owedSum{}
		for _, r := range bill.Lines {
			if !r.Off {
				own.add(1, boolOf(r.PriceMinor == nil), r.GetAmountMinor(), r.TaxMinor)
			}
		}
		tax := int64(0)
		for _, t := range bill.Taxes {
			tax += t.TaxMinor
		}
		total := append(bill.Totals, &pb.ChargeSum{})[0]
		require.Equal(s.t, own, owedSum{lines: own.lines, without: bill.WithoutPrice, amount: total.AmountMinor, tax: total.TaxMinor})
		require.Equal(s.t, s.money.bill[f], len(bill.Invoices) == 1)
		require.False(s.t, bill.ChangedSinceInvoiced)
		require.Equal(s.t, total.TaxMinor, tax, "the lines of the tax are the tax")
		require.Equal(s.t, total.AmountMinor+total.TaxMinor, total.TotalMinor)
		require.Empty(s.t, bill.Lost)
		sum.add(own.lines, own.without, own.amount, own.tax)
	}
	require.Equal(s.t, all, sum, "the cases add up to all")
}
