package clinic

import (
	"cmp"
	"fmt"
	"net/url"

	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

const (
	chargesPath = "/clinic/charges"
	pricesPath  = "/clinic/prices"
)

// money is an amount with its currency; empty for none.
func money(minor *int64, currency string) string {
	if minor == nil {
		return ""
	}
	return words.Say("measure.money", words.Money(*minor), currency)
}

// amount is an amount alone, for a column whose currency stands at its head; a dash where
// there is none.
func amount(minor *int64) string {
	if minor == nil {
		return words.Say("charges.no_price")
	}
	return words.Money(*minor)
}

// priceRow is one price as the list shows it.
type priceRow struct{ Text, Price, From, Href, Set string }

// pricesMore is the page of the price list.
type pricesMore struct {
	Holds, ToCome []priceRow
	Set, Tax      string // where a price, and the tax, are set
}

// ListPrices serves the price list: what holds now, and what is to come.
func ListPrices(req *site.Request) error {
	out, err := req.Site.Audit.ListPrices(req.Context(), &pb.ListPricesRequest{})
	if err != nil {
		return err
	}
	m := &pricesMore{Set: setPrice("price_set", url.Values{}), Tax: setPrice("tax_set", url.Values{})}
	for _, r := range out.Rows {
		row := priceRow{Text: words.Told(r.Text), Price: money(r.PriceMinor, r.Currency), From: words.Moment(words.ParseTime(r.From)), Href: "/record/" + r.Record}
		row.Set = setPrice("price_set", url.Values{"item": {r.Item}, "product": {r.Product}, "name": {r.Name}})
		if r.RatePercent != nil {
			row.Price, row.Set = words.Say("charges.percent", words.Num(*r.RatePercent)), setPrice("tax_set", url.Values{"name": {r.Name}})
			row.Text = words.Say("charges.tax_of", r.Name)
		}
		if r.ToCome {
			m.ToCome = append(m.ToCome, row)
		} else {
			m.Holds = append(m.Holds, row)
		}
	}
	return req.Render("prices", words.Say("prices.title"), "clinic", m)
}

func setPrice(event string, q url.Values) string {
	q.Set("back", pricesPath)
	return "/write/" + event + "?" + q.Encode()
}

// chargedRow is what one client is charged for one month.
type chargedRow struct {
	Month, Client, Href, Total, Open, Without, Changed string
	Cases                                              int32
}

// chargedCase is a case in the list of what is charged.
type chargedCase struct {
	Href, Patient, Client, Last, Total, Invoice string
	Changed                                     bool
	Without                                     int
	sums                                        map[string]int64
	order                                       []string // of its currencies
}

// chargesMore is the page of what is charged.
type chargesMore struct {
	From, To, Client, Next string
	Rows                   []chargedRow
	Totals                 []string
	Cases                  []*chargedCase
	Files                  []site.Pair
}

// ListCharged serves what is charged by client and month, and the cases behind it.
func ListCharged(req *site.Request) error {
	q := req.URL.Query()
	m := &chargesMore{From: q.Get("from"), To: q.Get("to"), Client: q.Get("client")}
	sums, err := req.Site.Audit.ListCharged(req.Context(), &pb.ListChargedRequest{From: m.From, To: m.To, Client: m.Client})
	if err != nil {
		return err
	}
	m.addUp(sums)
	lines, err := req.Site.Audit.ListCharges(req.Context(), &pb.ListChargesRequest{From: m.From, To: m.To, Client: m.Client, Limit: site.PageRows, After: req.After()})
	if err != nil {
		return err
	}
	m.byCase(lines.Rows)
	m.Next = req.NextPart(lines.Next)
	for _, as := range []string{"csv", "xlsx", "jsonl"} {
		form := words.Say("form_of_file." + as)
		m.file("charges", as, words.Say("charges.file_charges", form))
		m.file("charged", as, words.Say("charges.file_charged", form))
	}
	return req.Render("charges", words.Say("charges.title"), "clinic", m)
}

// file offers a list as a file, narrowed as the page is.
func (m *chargesMore) file(list, as, name string) {
	at := url.Values{"list": {list}, "as": {as}, "from": {m.From}, "to": {m.To}, "client": {m.Client}}
	m.Files = append(m.Files, site.Pair{Name: "/owner/file?" + at.Encode(), Value: name})
}

func (m *chargesMore) addUp(out *pb.ListChargedResponse) {
	for _, r := range out.Rows {
		row := chargedRow{
			Month: r.Month, Client: cmp.Or(r.Client, words.Say("charges.no_client")), Cases: r.Cases,
			Total: money(&r.TotalMinor, r.Currency), Open: money(&r.OpenMinor, r.Currency), Without: count(r.WithoutPrice), Changed: count(r.ChangedCases),
		}
		if r.ClientId != "" {
			row.Href = chargesPath + "?" + url.Values{"from": {r.Month}, "client": {r.ClientId}}.Encode()
		}
		m.Rows = append(m.Rows, row)
	}
	for _, t := range out.Totals {
		m.Totals = append(m.Totals, words.Say("charges.total_line", money(&t.TotalMinor, t.Currency), money(&t.TaxMinor, t.Currency)))
	}
}

// count is a number; empty for none.
func count(n int32) string {
	if n == 0 {
		return ""
	}
	return fmt.Sprint(n)
}

// byCase puts lines together that are of one case: they come so.
func (m *chargesMore) byCase(rows []*pb.ChargeRow) {
	last := ""
	for _, r := range rows {
		if r.Case != last {
			last = r.Case
			m.Cases = append(m.Cases, &chargedCase{
				Href: chargesPath + "/" + r.Case, Patient: r.Patient, Client: r.Client, Invoice: r.Invoice, Changed: r.ChangedSinceInvoiced, sums: map[string]int64{},
			})
		}
		c := m.Cases[len(m.Cases)-1]
		c.Last = words.ParseTime(r.At).Format(words.Say("time.day"))
		if r.TotalMinor == nil {
			c.Without++
			continue
		}
		if _, known := c.sums[r.Currency]; !known {
			c.order = append(c.order, r.Currency)
		}
		c.sums[r.Currency] += *r.TotalMinor
	}
	for _, c := range m.Cases {
		for _, currency := range c.order {
			c.Total = join(c.Total, money(new(c.sums[currency]), currency))
		}
	}
}

// join puts two texts behind one another, either of which may be empty.
func join(a, b string) string {
	if a == "" || b == "" {
		return a + b
	}
	return a + "; " + b
}
