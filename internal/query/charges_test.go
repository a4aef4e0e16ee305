package query_test

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/entry/entrytest"
	pb "thawtrail/proto/thawtrail/v1"
)

func chargesOf(l *entrytest.Laptop, id string) *pb.GetChargesResponse {
	l.T.Helper()
	out, err := l.GetCharges(l.T.Context(), &pb.GetChargesRequest{Case: id})
	require.NoError(l.T, err)
	return out
}

// inBill is a line in short: item, count and total.
type inBill struct {
	item  string
	count int32
	total int64
}

func inShort(lines []*pb.ChargeRow) (out []inBill) {
	for _, l := range lines {
		if !l.Off {
			out = append(out, inBill{l.Item, l.Count, l.GetTotalMinor()})
		}
	}
	return out
}

// aPricedNight is a practice with prices and tax, and one foal's night.
func aPricedNight(d *entrytest.Laptop) (id string, bags []string) {
	bags = d.Begin()
	for _, p := range []*pb.PriceSet{
		{Item: pb.PriceItem_PRICE_ITEM_BAG, PriceMinor: proto.Int64(380_05), Product: "foal plasma"}, {Item: pb.PriceItem_PRICE_ITEM_BAG, PriceMinor: proto.Int64(99_99)},
		{Item: pb.PriceItem_PRICE_ITEM_REST_OF_BAG, PriceMinor: proto.Int64(0)}, {Item: pb.PriceItem_PRICE_ITEM_UNUSED_BAG, PriceMinor: proto.Int64(290_00)},
		{Item: pb.PriceItem_PRICE_ITEM_FILTERED_SET, PriceMinor: proto.Int64(12_15)}, {Item: pb.PriceItem_PRICE_ITEM_VISIT, PriceMinor: proto.Int64(150_00)},
		{Item: pb.PriceItem_PRICE_ITEM_IGG_TEST, PriceMinor: proto.Int64(41_33)}, {Item: pb.PriceItem_PRICE_ITEM_OTHER, Name: "Call-out at night", PriceMinor: proto.Int64(120_00)},
	} {
		d.Must(p)
	}
	d.Must(&pb.TaxSet{Name: "GST", RateBp: proto.Int32(1000)})
	d.Clock.Advance(time.Hour)
	id = d.Foal()
	d.Must(&pb.PatientWeighed{Case: id, WeightG: 50_000, Method: pb.WeightMethod_WEIGHT_METHOD_SCALE})
	d.Must(&pb.IggTested{Case: id, Kind: "snap", IggCgPerL: proto.Int32(300)})
	for _, bag := range bags[:2] {
		d.Must(&pb.ThawStarted{Bag: bag, Case: id, BathDc: proto.Int32(370)})
	}
	d.Ready(id, bags[0])
	d.Must(&pb.SetAttached{Bag: bags[0], Case: id})
	d.Must(&pb.KitUsed{Place: "north car", Item: pb.KitItem_KIT_ITEM_FILTERED_SET, Count: 2, Case: id}) // one of them is the set above
	d.Must(&pb.TransfusionStarted{Bag: bags[0], Case: id})
	d.Clock.Advance(2 * time.Hour)
	d.Must(&pb.TransfusionEnded{Bag: bags[0], Case: id, GivenMl: 700})
	d.Must(&pb.BagDiscarded{Bag: bags[0], Reason: pb.DiscardReason_DISCARD_REASON_REST_OF_BAG, VolumeMl: proto.Int32(250)})
	d.Must(&pb.BagDiscarded{Bag: bags[1], Reason: pb.DiscardReason_DISCARD_REASON_THAWED_NOT_USED})
	d.Clock.Advance(20 * time.Hour)
	_, err := d.Write(d.T.Context(), &pb.WriteRequest{Entry: d.Named("igg_rechecked", &pb.IggTested{Case: id, Kind: "snap", IggCgPerL: proto.Int32(900)})})
	require.NoError(d.T, err)
	return id, bags
}

// Lines are made from what happened: the bag, its rest, the bag that was thawed and not
// used, both sets, both tests and both visits, each with the tax of its own.
func TestChargesOfANight(t *testing.T) {
	d := entrytest.New(t)
	id, bags := aPricedNight(d)
	out := chargesOf(d, id)
	require.ElementsMatch(t, []inBill{
		{"visit", 1, 165_00}, {"igg_test", 1, 45_46}, {"filtered_set", 1, 13_37}, {"filtered_set", 1, 13_37}, {"bag", 1, 418_06},
		{"rest_of_bag", 1, 0}, {"unused_bag", 1, 319_00}, {"visit", 1, 165_00}, {"igg_test", 1, 45_46},
	}, inShort(out.Lines), "12.15 with 10 % is 13.365, and a half goes away from zero")
	require.Zero(t, out.WithoutPrice)
	require.Len(t, out.Totals, 1)
	require.Equal(t, int64(1184_72), out.Totals[0].TotalMinor)
	require.Equal(t, int64(1077_01), out.Totals[0].AmountMinor)
	require.Equal(t, out.Totals[0].TaxMinor, out.Taxes[0].TaxMinor)
	require.Equal(t, "GST", out.Taxes[0].Name)
	for _, l := range out.Lines {
		rec, err := d.GetRecord(t.Context(), &pb.GetRecordRequest{Record: l.Record})
		require.NoError(t, err, "each line opens its record")
		require.NotEmpty(t, rec.Type, l.Line)
	}
	require.Nil(t, out.AgreedMinor)

	d.Must(&pb.EstimateAgreed{Case: id, AmountMinor: proto.Int64(980_00), UnusedBagMinor: proto.Int64(310_00), By: "P. Hollis", How: "by telephone"})
	d.Must(&pb.ChargeExplained{Case: id, Text: "a second bag was thawed"})
	out = chargesOf(d, id)
	require.Contains(t, inShort(out.Lines), inBill{"unused_bag", 1, 341_00}, "the price that was agreed for it")
	require.Equal(t, int64(1206_72-980_00), out.GetDifferenceMinor())
	require.Equal(t, "a second bag was thawed", out.DifferenceReason)

	field, _ := d.Refused(&pb.ChargeTakenOff{Case: id, Line: "bag/" + bags[2], Reason: "never hung"})
	require.Equal(t, "line", field)
	field, _ = d.Refused(&pb.ChargeChanged{Case: id, Line: "bag/" + bags[0], Reason: "nothing"})
	require.Equal(t, "price", field)
	field, _ = d.Refused(&pb.ChargeAdded{Case: id, Item: pb.PriceItem_PRICE_ITEM_OTHER, Reason: "no name"})
	require.Equal(t, "name", field)
}

// People add lines, change them and take them off; the last word about a line stands, and
// a word that is voided is gone.
func TestPeopleHaveTheLastWordOnACharge(t *testing.T) {
	d := entrytest.New(t)
	id, bags := aPricedNight(d)
	d.Must(&pb.ChargeAdded{Case: id, Item: pb.PriceItem_PRICE_ITEM_OTHER, Name: "call-out at  night", Count: proto.Int32(2), Reason: "two drives"})
	d.Must(&pb.ChargeAdded{Case: id, Item: pb.PriceItem_PRICE_ITEM_OTHER, Name: "neighbour's rebate", PriceMinor: proto.Int64(-10_05), Reason: "good will"})
	lines := inShort(chargesOf(d, id).Lines)
	require.Contains(t, lines, inBill{"other", 2, 264_00}, "by the list, whatever its name is written like")
	require.Contains(t, lines, inBill{"other", 1, -11_06}, "-1.005 of tax: the half goes away from zero")

	d.Must(&pb.ChargeChanged{Case: id, Line: "bag/" + bags[0], PriceMinor: proto.Int64(200_00), Reason: "half of it ran"})
	require.Contains(t, inShort(chargesOf(d, id).Lines), inBill{"bag", 1, 220_00})
	off := d.Must(&pb.ChargeTakenOff{Case: id, Line: "bag/" + bags[0], Reason: "a gift"})
	out := chargesOf(d, id)
	require.NotContains(t, inShort(out.Lines), inBill{"bag", 1, 220_00})
	for _, l := range out.Lines {
		require.Equal(t, l.Line == "bag/"+bags[0], l.Off)
	}
	correct(d, "M. Alder", off.Record, d.Clock.Now(), nil)
	require.Contains(t, inShort(chargesOf(d, id).Lines), inBill{"bag", 1, 220_00}, "the word before stands again")
}

// A later price changes nothing of what was charged; nor does one that claims to have held
// before it was written.
func TestALaterPriceListChangesNothing(t *testing.T) {
	d := entrytest.New(t)
	id, _ := aPricedNight(d)
	before := chargesOf(d, id).Totals
	d.Clock.Advance(time.Second)
	field, text := d.Refused(&pb.PriceSet{Item: pb.PriceItem_PRICE_ITEM_VISIT, PriceMinor: proto.Int64(1), HoldsFrom: momentOf(d.Clock.Now().Add(-100 * time.Hour))})
	require.Equal(t, "holds_from", field)
	require.Contains(t, text, "keeps the price of its time")
	d.Must(&pb.PriceSet{Item: pb.PriceItem_PRICE_ITEM_VISIT, PriceMinor: proto.Int64(1)})
	d.Must(&pb.PriceSet{Item: pb.PriceItem_PRICE_ITEM_BAG, Product: "foal plasma", PriceMinor: proto.Int64(1)})
	d.Must(&pb.TaxSet{Name: "GST", RateBp: proto.Int32(0)})
	d.Must(&pb.PriceSet{Item: pb.PriceItem_PRICE_ITEM_VISIT, PriceMinor: proto.Int64(7), HoldsFrom: momentOf(d.Clock.Now().Add(48 * time.Hour))})
	require.True(t, proto.Equal(before[0], chargesOf(d, id).Totals[0]))

	list := func() (out []int64) {
		got, err := d.ListPrices(t.Context(), &pb.ListPricesRequest{})
		require.NoError(t, err)
		for _, r := range got.Rows {
			if r.Item == "visit" {
				require.Equal(t, r.GetPriceMinor() == 7, r.ToCome)
				out = append(out, r.GetPriceMinor())
			}
		}
		return out
	}
	require.Equal(t, []int64{1, 7}, list())
	d.Clock.Advance(12 * time.Hour)
	d.Must(&pb.PatientWeighed{Case: id, WeightG: 51_000, Method: pb.WeightMethod_WEIGHT_METHOD_SCALE})
	require.Contains(t, inShort(chargesOf(d, id).Lines), inBill{"visit", 1, 1}, "a visit of now has the price and the tax of now")
}

// What changes after an invoice stands out, line by line, and nothing is locked.
func TestWhatChangesSinceAnInvoiceStandsOut(t *testing.T) {
	d := entrytest.New(t)
	id, bags := aPricedNight(d)
	d.Must(&pb.CaseInvoiced{Case: id, Number: "2026-114"})
	out := chargesOf(d, id)
	require.False(t, out.ChangedSinceInvoiced)
	require.Equal(t, "2026-11-25", out.Invoices[0].On, "today by the practice's clock")
	require.Equal(t, out.Totals[0].TotalMinor, out.Invoices[0].Totals[0].TotalMinor)

	d.Must(&pb.ChargeTakenOff{Case: id, Line: "bag/" + bags[0], Reason: "a gift"})
	extra := d.Must(&pb.ChargeAdded{Case: id, Item: pb.PriceItem_PRICE_ITEM_VISIT, Reason: "came back for the scales"})
	d.Must(&pb.ChargeChanged{Case: id, Line: "unused_bag/" + bags[1], Count: proto.Int32(2), Reason: "two"})
	out = chargesOf(d, id)
	require.True(t, out.ChangedSinceInvoiced)
	changes := map[string][2]*int64{}
	for _, c := range out.Invoices[0].Changes {
		changes[c.Line] = [2]*int64{c.WasMinor, c.NowMinor}
	}
	require.Equal(t, map[string][2]*int64{
		"bag/" + bags[0]: {proto.Int64(418_06), nil}, "own/" + extra.Record[:12]: {nil, proto.Int64(165_00)},
		"unused_bag/" + bags[1]: {proto.Int64(319_00), proto.Int64(638_00)},
	}, changes)

	second := d.Must(&pb.CaseInvoiced{Case: id, Number: "2026-115", On: "2026-12-01"})
	out = chargesOf(d, id)
	require.False(t, out.ChangedSinceInvoiced, "the newest invoice is the one that counts")
	require.Len(t, out.Invoices, 2)
	// A number that was typed wrongly is put right; the figures stay those of the invoice.
	d.Must(&pb.ChargeTakenOff{Case: id, Line: "unused_bag/" + bags[1], Reason: "broken on the way"})
	correct(d, "M. Alder", second.Record, d.Clock.Now(), d.Entry(&pb.CaseInvoiced{Case: id, Number: "2026-116", On: "2026-12-01"}))
	out = chargesOf(d, id)
	require.Equal(t, "2026-116", out.Invoices[1].Number)
	require.True(t, out.ChangedSinceInvoiced)

	// A word about a line whose cause is voided is told, and adds nothing.
	test := out.Lines[slices.IndexFunc(out.Lines, func(l *pb.ChargeRow) bool { return l.Item == "igg_test" })]
	d.Must(&pb.ChargeChanged{Case: id, Line: test.Line, PriceMinor: proto.Int64(5), Reason: "cheap"})
	correct(d, "M. Alder", test.Record, d.Clock.Now(), nil)
	out = chargesOf(d, id)
	require.Len(t, out.Lost, 1)
	require.Equal(t, "cheap", out.Lost[0].Reason)
}

// Two currencies are never added, and a difference in two is none.
func TestTwoCurrenciesAreNeverAdded(t *testing.T) {
	d := entrytest.New(t)
	id, _ := aPricedNight(d)
	d.Must(&pb.EstimateAgreed{Case: id, AmountMinor: proto.Int64(980_00), By: "P. Hollis", How: "in person"})
	d.Must(&pb.PracticeChanged{Currency: "EUR", Reason: "moved"})
	out := chargesOf(d, id)
	require.Len(t, out.Totals, 1)
	require.Equal(t, "AUD", out.Totals[0].Currency, "what was charged keeps its currency")
	require.Equal(t, "AUD", out.AgreedCurrency)
	require.NotNil(t, out.DifferenceMinor)
	d.Must(&pb.ChargeAdded{Case: id, Item: pb.PriceItem_PRICE_ITEM_OTHER, Name: "ferry", PriceMinor: proto.Int64(30_00), Reason: "ferry"})
	out = chargesOf(d, id)
	require.Len(t, out.Totals, 2)
	require.Equal(t, int64(33_00), out.Totals[1].TotalMinor)
	require.Nil(t, out.DifferenceMinor)
	all, err := d.ListCharged(t.Context(), &pb.ListChargedRequest{})
	require.NoError(t, err)
	require.Len(t, all.Totals, 2)
}

// A bag for two foals stands in the case in which it hung first.
func TestABagOfTwinsIsChargedOnce(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	d.Must(&pb.PriceSet{Item: pb.PriceItem_PRICE_ITEM_BAG, PriceMinor: proto.Int64(380_00)})
	open := func(twin string) string {
		return d.Must(&pb.CaseOpened{Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: "Quiet Harbour", Twin: twin, ClockChecked: true}).Made[0]
	}
	first, second := open("A"), open("B")
	for _, id := range []string{first, second} {
		d.Ready(id, bags[0])
		d.Must(&pb.TransfusionStarted{Bag: bags[0], Case: id, SharedWithTwin: true})
		d.Clock.Advance(time.Hour)
		d.Must(&pb.TransfusionEnded{Bag: bags[0], Case: id, GivenMl: 300})
	}
	require.Contains(t, inShort(chargesOf(d, first).Lines), inBill{"bag", 1, 380_00})
	for _, l := range chargesOf(d, second).Lines {
		require.NotEqual(t, "bag", l.Item)
	}
	require.Equal(t, int32(2), chargesOf(d, second).WithoutPrice, "its own set and visit have no price")
}

// Two cases that were said to be one foal give one bill, in whichever it is asked for: a
// bag that both tell of is one, one visit is one, and what people said of lines in either
// stands. Parted again, each has its own.
func TestCasesThatAreOneGiveOneBill(t *testing.T) {
	d := entrytest.New(t)
	first, bags := aPricedNight(d)
	alone := inShort(chargesOf(d, first).Lines)
	second := d.Must(&pb.CaseOpened{Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: "Quiet Harbour", Sex: pb.Sex_SEX_FILLY, ClockChecked: true, Client: addClient(d, "P. Hollis", "0491 570 156")}).Made[0]
	d.Must(&pb.PatientWeighed{Case: second, WeightG: 50_000, Method: pb.WeightMethod_WEIGHT_METHOD_SCALE}) // in the same visit as the last of the first
	d.Must(&pb.ChargeAdded{Case: second, Item: pb.PriceItem_PRICE_ITEM_OTHER, Name: "ferry", PriceMinor: proto.Int64(10_00), Reason: "an island"})
	_, err := d.Write(t.Context(), &pb.WriteRequest{Entry: d.Entry(&pb.TransfusionStarted{Bag: bags[0], Case: second}), OccurredAt: momentOf(d.Clock.Now().Add(-time.Hour))})
	require.NoError(t, err)
	visits := func(lines []inBill) (n int) {
		for _, l := range lines {
			if l.item == "visit" {
				n++
			}
		}
		return n
	}
	apart := inShort(chargesOf(d, second).Lines)
	require.Positive(t, visits(apart))
	linked := d.Must(&pb.Linked{Kind: "case", First: first, Second: second, Reason: "one foal"})
	for _, id := range []string{first, second} {
		bill := chargesOf(d, id)
		require.Equal(t, second, bill.Case, "where the client is known")
		require.Equal(t, "P. Hollis", bill.Client)
		require.ElementsMatch(t, append(slices.Clone(alone), inBill{"other", 1, 11_00}), inShort(bill.Lines))
	}
	all, err := d.ListCharges(t.Context(), &pb.ListChargesRequest{})
	require.NoError(t, err)
	require.ElementsMatch(t, inShort(chargesOf(d, first).Lines), inShort(all.Rows), "and stands once in lists")
	sums, err := d.ListCharged(t.Context(), &pb.ListChargedRequest{})
	require.NoError(t, err)
	require.Equal(t, chargesOf(d, first).Totals[0].TotalMinor, sums.Totals[0].TotalMinor)
	d.Must(&pb.ChargeTakenOff{Case: first, Line: "bag/" + bags[0], Reason: "a gift"})
	require.NotContains(t, inShort(chargesOf(d, second).Lines), inBill{"bag", 1, alone[slices.IndexFunc(alone, func(l inBill) bool { return l.item == "bag" })].total})
	d.Must(&pb.CaseInvoiced{Case: second, Number: "7"})
	require.Len(t, chargesOf(d, first).Invoices, 1)
	require.False(t, chargesOf(d, first).ChangedSinceInvoiced)
	correct(d, "M. Alder", linked.Record, d.Clock.Now(), nil)
	require.Equal(t, first, chargesOf(d, first).Case)
	require.Empty(t, chargesOf(d, first).Invoices)
	require.Contains(t, inShort(chargesOf(d, second).Lines), inBill{"other", 1, 11_00})
}
