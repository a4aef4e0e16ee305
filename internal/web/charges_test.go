package web

import (
	"html"
	"net/url"
	"regexp"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	pb "thawtrail/proto/thawtrail/v1"
)

// aBilledCase is a case with prices, lines, an agreement, an invoice, and a line that
// changed after it.
func (d *laptop) aBilledCase() (id string) {
	bags := d.begin()
	for _, p := range []*pb.PriceSet{
		{Item: pb.PriceItem_PRICE_ITEM_BAG, PriceMinor: proto.Int64(380_00)}, {Item: pb.PriceItem_PRICE_ITEM_VISIT, PriceMinor: proto.Int64(150_00)},
		{Item: pb.PriceItem_PRICE_ITEM_FILTERED_SET, PriceMinor: proto.Int64(12_15)},
	} {
		d.write(p)
	}
	d.write(&pb.TaxSet{Name: "GST", RateBp: proto.Int32(1000)})
	d.clock.Advance(time.Minute)
	id = d.foal("Little Wren")
	d.write(&pb.EstimateAgreed{Case: id, AmountMinor: proto.Int64(600_00), By: "P. Hollis", How: "in person"})
	d.write(&pb.IggTested{Case: id, Kind: "barn immunoassay", IggCgPerL: proto.Int32(350)})
	d.write(&pb.HangChecked{Case: id, Bag: bags[0], PatientConfirmed: true, SameBag: true, FullyThawed: true, ClearNoClots: true, WholeWhenSqueezed: true})
	d.write(&pb.SetAttached{Bag: bags[0], Case: id})
	d.write(&pb.TransfusionStarted{Bag: bags[0], Case: id})
	d.clock.Advance(time.Hour)
	d.write(&pb.TransfusionEnded{Bag: bags[0], Case: id, GivenMl: 900})
	d.write(&pb.CaseInvoiced{Case: id, Number: "2026-114"})
	d.write(&pb.ChargeAdded{Case: id, Item: pb.PriceItem_PRICE_ITEM_OTHER, Name: "call-out at night", PriceMinor: proto.Int64(120_00), Reason: "rung up at two"})
	return id
}

// The bill tells every line with the record behind it, what was agreed, and what changed
// since the invoice; a line is changed and taken off from its own place.
func TestTheBillOfACase(t *testing.T) {
	d := newLaptop(t)
	id := d.aBilledCase()
	at := "/clinic/charges/" + id
	page := plainText(d.get(at))
	for _, words := range []string{
		"728.37 AUD", "tax included", "600.00 AUD", "128.37 AUD more than agreed", "GST, 10 % of 662.15 AUD", "66.22 AUD",
		"Changed since invoiced.", "call-out at night: new, 132.00 AUD", "1 line without a price: none stood", "added by M. Alder: rung up at two",
	} {
		require.Contains(t, page, words)
	}
	require.NotContains(t, plainText(d.get("/case/"+id+"/sheet")), "call-out at night", "the barn's sheet is about treating")

	off := html.UnescapeString(regexp.MustCompile(`href="(/write/charge_taken_off[^"]*line=visit[^"]*)"`).FindStringSubmatch(d.get(at))[1])
	require.Contains(t, d.get(off), `value="`+lineOf(t, off)+`"`, "nobody types the line's name")
	d.fill(off, "line", lineOf(t, off), "reason", "one drive for two foals")
	page = plainText(d.get(at))
	require.Contains(t, page, "taken off by M. Alder: one drive for two foals")
	require.Contains(t, page, "563.37 AUD")
	change := html.UnescapeString(regexp.MustCompile(`href="(/write/charge_changed[^"]*line=bag[^"]*)"`).FindStringSubmatch(d.get(at))[1])
	d.fill(change, "line", lineOf(t, change), "price_minor", "280", "reason", "half of it ran")
	require.Contains(t, plainText(d.get(at)), "changed by M. Alder: half of it ran")

	list := plainText(d.get("/clinic/charges"))
	require.Contains(t, list, "Little Wren")
	require.Contains(t, list, "changed since")
	require.Contains(t, d.get("/owner/file?list=charges&as=csv&from=2026-11"), "call-out at night,,1,120.00,120.00,10,12.00,132.00,AUD,2026-114")
	require.Contains(t, d.get("/owner/file?list=charged&as=csv"), "2026-11,")
}

// lineOf is the line that the address of a form names, as the form has it typed already.
func lineOf(t *testing.T, path string) string {
	t.Helper()
	at, err := url.Parse(path)
	require.NoError(t, err)
	return at.Query().Get("line")
}

// The price list shows what holds and what is to come, and sets a price.
func TestThePriceListOnItsPage(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	require.Contains(t, plainText(d.get("/clinic/prices")), "There is no price yet")
	d.fill("/write/price_set?item=visit&back=/clinic/prices", "item", "visit", "price_minor", "150,50")
	d.fill("/write/tax_set?back=/clinic/prices", "name", "GST", "rate_bp", "8.25")
	page := plainText(d.get("/clinic/prices"))
	require.Contains(t, page, "150.50 AUD")
	require.Contains(t, page, "Tax: GST 8.25 %")
	d.fill("/write/price_set?item=visit&back=/clinic/prices", "item", "visit", "price_minor", "160", "holds_from", "2027-01-01 00:00")
	page = plainText(d.get("/clinic/prices"))
	require.Contains(t, page, "To come")
	require.Contains(t, page, "160.00 AUD")
	require.Contains(t, page, "150.50 AUD")
}
