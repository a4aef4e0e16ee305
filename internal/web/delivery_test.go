package web

import (
	"html"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	pb "thawtrail/proto/thawtrail/v1"
)

// deliveryPage is the page of a delivery, pressed as a browser without scripts does.
type deliveryPage struct {
	d    *laptop
	at   string
	body string
}

var (
	fieldOf  = regexp.MustCompile(`<input[^>]*>`)
	attrOf   = regexp.MustCompile(`([a-z]+)="([^"]*)"`)
	selectOf = regexp.MustCompile(`(?s)<select[^>]*name="([^"]*)".*?</select>`)
	chosenOf = regexp.MustCompile(`<option value="([^"]*)" selected`)
)

// fields are what the form would send as it stands.
func (p *deliveryPage) fields() url.Values {
	v := url.Values{}
	form := p.body[strings.Index(p.body, `id="form-delivery"`):]
	for _, tag := range fieldOf.FindAllString(form, -1) {
		at := map[string]string{}
		for _, m := range attrOf.FindAllStringSubmatch(tag, -1) {
			at[m[1]] = html.UnescapeString(m[2])
		}
		ticks := at["type"] == "checkbox" || at["type"] == "radio"
		if at["name"] != "" && (!ticks || strings.Contains(tag, " checked")) {
			v.Add(at["name"], at["value"])
		}
	}
	for _, m := range selectOf.FindAllStringSubmatch(form, -1) {
		if c := chosenOf.FindStringSubmatch(m[0]); c != nil {
			v.Add(m[1], html.UnescapeString(c[1]))
		}
	}
	return v
}

// press sends the form with a button and what was typed beside it, and follows.
func (p *deliveryPage) press(do string, typed ...string) {
	p.d.t.Helper()
	v := p.fields()
	v.Set("do", do)
	for i := 0; i+1 < len(typed); i += 2 {
		v.Set(typed[i], typed[i+1])
	}
	_, out, body := p.d.send("/clinic/delivery", v)
	if p.body = body; out != "" {
		p.at = out
		p.body = p.d.get(out)
	}
}

func (d *laptop) delivery() *deliveryPage {
	return &deliveryPage{d: d, at: "/clinic/delivery", body: d.get("/clinic/delivery")}
}

const gtin = "0109501101530003"

// TestDeliveryByScanner receives a delivery scan by scan: the number is learned, the same
// code counts one more, a dropped separator is asked about, and a reload loses nothing.
func TestDeliveryByScanner(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	before := d.bagCount()
	product := regexp.MustCompile(`<option value="([^"]+)">Foal plasma`).FindStringSubmatch(d.get("/clinic/receive"))[1]
	p := d.delivery()
	p.press("scan", "scan", gtin+"1728033110K77\x1d", "supplier", "Wattle & Sons", "place", d.place)
	require.Contains(t, p.body, "Which product is it?")
	require.Contains(t, plainText(p.body), "K77: 1 bag.")
	p.press("scan", "scan", gtin+"1728033110K77\x1d")
	require.Contains(t, plainText(p.body), "K77: 2 bags.")

	p.press("scan", "scan", gtin+"1728043010L821AB") // L821AB, or L8 with the serial AB
	require.Contains(t, p.body, "2 ways")
	p.body = d.get(p.at) // a reload
	require.Contains(t, p.body, "2 ways")
	require.Contains(t, p.body, "Wattle &amp; Sons")
	p.press("read-0")
	require.NotContains(t, p.body, "2 ways")
	require.Contains(t, plainText(p.body), "L821AB: 1 bag.")
	p.press("scan", "scan", gtin+"1728043010L821AB")
	require.Contains(t, plainText(p.body), "L821AB: 2 bags.", "what was answered once is not asked again")

	p.press("scan", "scan", "hello")
	require.Contains(t, plainText(p.body), "Not counted: hello. It has no maker's number")
	p.press("save", "noted", "5")
	require.Contains(t, plainText(p.body), "Product is missing")
	require.Contains(t, plainText(p.body), "The delivery note says 5, and 4 came")
	require.Equal(t, before, d.bagCount())

	p.press("scan", "product_0", product, "volume_ml_0", "950", "volume_ml_1", "950", "arrived", "soft")
	require.Contains(t, plainText(p.body), "set aside until a person decides")
	p.press("save", "noted", "5", "differs", "5/4")
	require.Contains(t, p.at, "/clinic/labels", plainText(p.body))
	require.Equal(t, 4, strings.Count(p.body, "<strong class=\"code\">"), "a sticker for each")
	require.Contains(t, p.body, "L821AB")
	require.Equal(t, before+4, d.bagCount())
	again := d.get(p.at) // printed again
	require.Equal(t, 4, strings.Count(again, "<strong class=\"code\">"))

	next := d.delivery() // the number is known by now
	next.press("scan", "scan", gtin+"1728033110K78\x1d21S1", "place", d.place, "volume_ml_0", "950")
	require.NotContains(t, next.body, "Which product is it?")
	next.press("scan", "scan", gtin+"1728033110K78\x1d21S1")
	require.Contains(t, next.body, "serial S1 was scanned before")
	next.press("scan", "scan", gtin+"1728033110K78\x1d21S2", "volume_ml_0", "950")
	require.Contains(t, plainText(next.body), "K78: 2 bags.")
	v, at := next.fields(), ""
	v.Set("do", "save")
	for range 2 { // a press twice is one delivery
		_, at, next.body = d.send("/clinic/delivery", v)
		require.Contains(t, at, "/clinic/labels", plainText(next.body))
	}
	require.Equal(t, before+6, d.bagCount())
}

// bagCount counts the stock.
func (d *laptop) bagCount() int {
	out, err := d.site.Stock.ListStock(d.t.Context(), &pb.ListStockRequest{})
	require.NoError(d.t, err)
	return len(out.Bags)
}

// TestASheetThatIsPartlyUsed prints stickers from the first label that is free.
func TestASheetThatIsPartlyUsed(t *testing.T) {
	d := newLaptop(t)
	bags := d.begin()
	at := "/clinic/labels?bag=" + bags[0] + "&bag=" + bags[1]
	for first, used := range map[string]int{"": 0, "&first=1": 0, "&first=5": 4, "&first=27": 26, "&paper=roll&first=5": 0} {
		body := d.get(at + first)
		require.Equal(t, used, strings.Count(body, `<li class="used"`), first)
		require.Equal(t, 2, strings.Count(body, `<strong class="code">`), first)
	}
	require.Less(t, strings.LastIndex(d.get(at+"&first=5"), `class="used"`), strings.Index(d.get(at+"&first=5"), `<strong class="code">`))
	require.Contains(t, d.get(at), `name="bag" value="`+bags[1]+`"`, "the form prints the same stickers")
	for _, first := range []string{"0", "28", "-1", "x", "99999999999999999999"} {
		code, body := d.ask(at + "&first=" + first)
		require.Equal(t, 422, code, first)
		require.Contains(t, plainText(body), first+" is no label of a sheet")
	}
}
