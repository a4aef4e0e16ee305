package clinic

import (
	"fmt"
	"net/url"

	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// billLine is one line of what is charged for a case.
type billLine struct {
	When, What, Bag, Record, Count, Each, Amount, Tax string
	Word, WordHref                                    string // what a person said of it
	Off                                               bool
	Change, TakeOff                                   string
}

// billInvoice is one invoice of the case.
type billInvoice struct {
	Text, Href string
	Changes    []string
}

// billMore is the page of what is charged for a case.
type billMore struct {
	ID, Client, Sheet string
	Facts             []gaugeFact
	Lines             []billLine
	Sums              []site.Pair
	Without           int32
	Agreed            string // the record
	Reason            string
	ReasonHref        string
	Invoices          []billInvoice
	Changed           bool
	Lost              []site.Pair
	Rules             []string
	Add, Explain      string
	Invoice, Prices   string
	Fresh             string
}

// gaugeFact is one number that is seen first.
type gaugeFact struct{ Name, Value, Note string }

// ShowCharges serves what is charged for a case, line by line.
func ShowCharges(req *site.Request) error {
	out, err := req.Site.Audit.GetCharges(req.Context(), &pb.GetChargesRequest{Case: req.PathValue("case")})
	if err != nil {
		return err
	}
	m := &billMore{ID: out.Case, Client: out.Client, Sheet: "/case/" + out.Case + "/sheet", Without: out.WithoutPrice, Changed: out.ChangedSinceInvoiced,
		Reason: out.DifferenceReason, ReasonHref: "/record/" + out.DifferenceRecord, Prices: pricesPath, Fresh: out.GetFreshness().GetText()}
	m.Add, m.Explain, m.Invoice = m.form("charge_added", ""), m.form("charge_explained", ""), m.form("case_invoiced", "")
	m.facts(out)
	for _, l := range out.Lines {
		m.Lines = append(m.Lines, m.line(l))
	}
	m.sums(out)
	m.invoices(out.Invoices)
	for _, l := range out.Lost {
		m.Lost = append(m.Lost, site.Pair{Name: words.Say("bill.lost_line", l.Line, l.Reason, l.Who), Value: "/record/" + l.Record})
	}
	for _, r := range out.Rules {
		m.Rules = append(m.Rules, words.Told(r))
	}
	return req.Render("bill", words.Say("bill.title", out.Patient), "clinic", m)
}

// form is where a word about this case, or about one line of it, is written.
func (m *billMore) form(event, line string) string {
	q := url.Values{"case": {m.ID}, "back": {chargesPath + "/" + m.ID}}
	if line != "" {
		q.Set("line", line)
	}
	return "/write/" + event + "?" + q.Encode()
}

// facts are the total, what was agreed, and the difference.
func (m *billMore) facts(out *pb.GetChargesResponse) {
	total := ""
	for _, t := range out.Totals {
		total = join(total, money(&t.TotalMinor, t.Currency))
	}
	if total == "" {
		total = words.Say("bill.nothing")
	}
	m.Facts = append(m.Facts, gaugeFact{Name: words.Say("bill.total"), Value: total, Note: words.Say("bill.with_tax")})
	agreed := gaugeFact{Name: words.Say("bill.agreed"), Value: words.Say("bill.nothing_agreed")}
	if out.AgreedMinor != nil {
		m.Agreed = "/record/" + out.AgreedRecord
		agreed.Value = money(out.AgreedMinor, out.AgreedCurrency)
	}
	if d := out.DifferenceMinor; d != nil {
		switch {
		case *d > 0:
			agreed.Note = words.Say("bill.more", money(d, out.AgreedCurrency))
		case *d < 0:
			agreed.Note = words.Say("bill.less", money(new(-*d), out.AgreedCurrency))
		default:
			agreed.Note = words.Say("bill.same")
		}
	}
	m.Facts = append(m.Facts, agreed)
}

func (m *billMore) line(l *pb.ChargeRow) billLine {
	row := billLine{
		When: words.Moment(words.ParseTime(l.At)), What: words.Told(l.Text), Record: "/record/" + l.Record, Count: fmt.Sprint(l.Count),
		Each: amount(l.PriceMinor), Amount: amount(l.AmountMinor), Tax: words.Money(l.TaxMinor), Off: l.Off,
		Change: m.form("charge_changed", l.Line), TakeOff: m.form("charge_taken_off", l.Line),
	}
	if l.Bag != "" {
		row.Bag = words.BagNumber(l.Bag)
	}
	key := ""
	switch {
	case l.Off:
		key = "bill.off"
	case l.Changed:
		key = "bill.changed"
	case l.Added:
		key = "bill.added"
	}
	if key != "" {
		row.Word, row.WordHref = words.Say(key, l.Who, l.Reason), "/record/"+l.WordRecord
	}
	return row
}

// sums are the lines under the lines: before tax, each rate of the tax, and the total.
func (m *billMore) sums(out *pb.GetChargesResponse) {
	for _, t := range out.Totals {
		m.Sums = append(m.Sums, site.Pair{Name: words.Say("bill.before_tax"), Value: money(&t.AmountMinor, t.Currency)})
		for _, x := range out.Taxes {
			if x.Currency == t.Currency {
				m.Sums = append(m.Sums, site.Pair{Name: words.Say("bill.tax", x.Name, words.Num(x.RatePercent), money(&x.AmountMinor, x.Currency)), Value: money(&x.TaxMinor, x.Currency)})
			}
		}
		m.Sums = append(m.Sums, site.Pair{Name: words.Say("bill.total"), Value: money(&t.TotalMinor, t.Currency)})
	}
}

func (m *billMore) invoices(rows []*pb.InvoiceRow) {
	for _, v := range rows {
		total := ""
		for _, t := range v.Totals {
			total = join(total, money(&t.TotalMinor, t.Currency))
		}
		row := billInvoice{Text: words.Say("bill.invoice_line", v.Number, v.On, total, v.Who), Href: "/record/" + v.Record}
		for _, c := range v.Changes {
			was, now := money(c.WasMinor, c.Currency), money(c.NowMinor, c.Currency)
			switch {
			case was == "" && now == "":
				row.Changes = append(row.Changes, words.Say("bill.change_unpriced", words.Told(c.Text)))
			case was == "":
				row.Changes = append(row.Changes, words.Say("bill.change_new", words.Told(c.Text), now))
			case now == "":
				row.Changes = append(row.Changes, words.Say("bill.change_gone", words.Told(c.Text), was))
			default:
				row.Changes = append(row.Changes, words.Say("bill.change", words.Told(c.Text), was, now))
			}
		}
		m.Invoices = append(m.Invoices, row)
	}
}
