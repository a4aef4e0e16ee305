package query

import (
	"cmp"
	"context"
	"maps"
	"slices"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/refusal"
	"thawtrail/internal/say"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// GetCharges tells what is charged for a case, line by line, what was agreed with the
// client, and what is not as it was when the case was invoiced.
func (s Reader) GetCharges(ctx context.Context, req *pb.GetChargesRequest) (*pb.GetChargesResponse, error) {
	out := &pb.GetChargesResponse{}
	err := s.View(ctx, func(b *ReadView) error {
		id, err := b.Resolve("case", event.KindCase, req.Case)
		if err != nil {
			return err
		}
		c, err := b.Case(id)
		if err != nil {
			return err
		}
		if c == nil {
			return refusal.Conflict("case", id, "a case that is known here")
		}
		k, err := b.newCharger()
		if err != nil {
			return err
		}
		return k.bill(out, c)
	})
	return out, err
}

// chargesOf is a case with its lines, as they are asked for again and again.
type chargesOf struct {
	c       *ledger.Case
	lines   []*charge
	lost    []*ledger.ChargeWord
	changes []lineChange // since the newest invoice
}

// of reads a case with those that are one with it.
func (k *charger) of(c *ledger.Case) (*chargesOf, error) {
	one, err := k.b.billed(c)
	if err != nil {
		return nil, err
	}
	lines, lost, err := k.charges(one)
	of := &chargesOf{c: one.Case, lines: lines, lost: lost}
	of.changes = of.compared()
	return of, err
}

func (k *charger) bill(out *pb.GetChargesResponse, c *ledger.Case) error {
	of, err := k.of(c)
	if err != nil {
		return err
	}
	c = of.c
	out.Case, out.Patient, out.Freshness = c.Entity.ID, patientOrCase(c), k.b.freshness()
	if c.Patient != nil {
		out.Client, _, _ = k.b.Client(c.Patient.Client)
	}
	sums, taxes := sums{}, taxSums{}
	for _, l := range of.lines {
		out.Lines = append(out.Lines, k.row(of, l))
		if l.off {
			continue
		}
		if l.price == nil {
			out.WithoutPrice++
			continue
		}
		sums.add(l)
		taxes.add(l)
	}
	out.Totals, out.Taxes = sums.rows(), taxes.rows()
	k.agreement(out, c)
	out.Invoices = k.invoices(of)
	out.ChangedSinceInvoiced = len(of.changes) > 0
	for _, w := range of.lost {
		out.Lost = append(out.Lost, &pb.LostCharge{Line: w.Line, Reason: w.Reason, Who: k.b.Person(w.Stamp.Author), Record: w.Stamp.Record.String()})
	}
	out.Rules = []string{say.Text("charge.rule_price"), say.Text("charge.rule_visit"), say.Text("charge.rule_tax")}
	return nil
}

// row is one line as it is told.
func (k *charger) row(of *chargesOf, l *charge) *pb.ChargeRow {
	b := k.b
	row := &pb.ChargeRow{
		Month: b.month(l.atMs), Case: of.c.Entity.ID, Patient: patientOrCase(of.c), At: b.Stamp(l.atMs), Item: wording.Code(l.item),
		Text: b.itemWords(l.item, l.product, l.name), Product: b.Name(event.KindProduct, l.product), Bag: l.bag, Count: l.count,
		PriceMinor: l.price, AmountMinor: l.amount(), TaxMinor: l.taxed(), TaxPercent: float64(l.rateBp) / 100, Currency: l.currency,
		ChangedSinceInvoiced: len(of.changes) > 0, Added: l.added, Off: l.off, Record: l.record.String(), Line: l.id,
	}
	if of.c.Patient != nil {
		row.Client, _, _ = b.Client(of.c.Patient.Client)
	}
	if l.price != nil {
		row.TotalMinor = new(*row.AmountMinor + row.TaxMinor)
	}
	if v := of.newest(); v != nil {
		row.Invoice, row.InvoicedOn = v.Number, v.On
	}
	if w := l.word; w != nil {
		row.Reason, row.Who, row.WordRecord = w.Reason, b.Person(w.Stamp.Author), w.Stamp.Record.String()
		row.Changed = !w.Added && !w.Off
	}
	return row
}

// agreement compares with what was last agreed with the client.
func (k *charger) agreement(out *pb.GetChargesResponse, c *ledger.Case) {
	if r := c.ChargeReason; r != nil {
		out.DifferenceReason, out.DifferenceRecord = r.Text, r.Stamp.Record.String()
	}
	agreed := c.Agreed()
	if agreed == nil {
		return
	}
	out.AgreedMinor, out.AgreedRecord = agreed.AmountMinor, agreed.Stamp.Record.String()
	out.AgreedCurrency = cmp.Or(agreed.Currency, k.b.currency())
	switch {
	case len(out.Totals) == 0:
		out.DifferenceMinor = new(-*agreed.AmountMinor)
	case len(out.Totals) == 1 && out.Totals[0].Currency == out.AgreedCurrency:
		out.DifferenceMinor = new(out.Totals[0].TotalMinor - *agreed.AmountMinor)
	}
}

// newest is the invoice that was written last; nil for none.
func (of *chargesOf) newest() *ledger.Invoice {
	if n := len(of.c.Invoices); n > 0 {
		return &of.c.Invoices[n-1]
	}
	return nil
}

// Invoiced are the lines of a case as an invoice keeps them.
func (b *ReadView) Invoiced(c *ledger.Case) (out []*pb.InvoicedLine, err error) {
	k, err := b.newCharger()
	if err != nil {
		return nil, err
	}
	of, err := k.of(c)
	if err != nil {
		return nil, err
	}
	for _, l := range of.lines {
		if !l.off {
			out = append(out, &pb.InvoicedLine{Line: l.id, Text: b.itemWords(l.item, l.product, l.name), AmountMinor: l.amount(), TaxMinor: l.taxed(), Currency: l.currency})
		}
	}
	return out, nil
}

// ChargeLines are the names of a case's lines, those that were taken off too.
func (b *ReadView) ChargeLines(c *ledger.Case) (out []string, err error) {
	k, err := b.newCharger()
	if err != nil {
		return nil, err
	}
	one, err := b.billed(c)
	if err != nil {
		return nil, err
	}
	lines, _, err := k.charges(one)
	for _, l := range lines {
		out = append(out, l.id)
	}
	return out, err
}

// invoicedTotal is a line with its tax; nil without a price.
func invoicedTotal(l ledger.InvoicedLine) *int64 {
	if l.AmountMinor == nil {
		return nil
	}
	return new(*l.AmountMinor + l.TaxMinor)
}

// compared are the lines that are not what they were on the newest invoice, by name.
func (of *chargesOf) compared() (out []lineChange) {
	invoice := of.newest()
	if invoice == nil {
		return nil
	}
	both := map[string]*lineChange{}
	for _, l := range invoice.Lines {
		both[l.Line] = &lineChange{was: l, line: l.Line}
	}
	for _, l := range of.lines {
		if l.off {
			continue
		}
		change := both[l.id]
		if change == nil {
			change = &lineChange{line: l.id}
			both[l.id] = change
		}
		change.now = l
	}
	for _, id := range slices.Sorted(maps.Keys(both)) {
		if both[id].differs() {
			out = append(out, *both[id])
		}
	}
	return out
}

// lineChange is a line then and now; either may not be there.
type lineChange struct {
	line string
	was  ledger.InvoicedLine // without a name where there was none
	now  *charge
}

func (c *lineChange) differs() bool {
	if c.was.Line == "" || c.now == nil {
		return true
	}
	was, now := c.was.AmountMinor, c.now.amount()
	if was == nil || now == nil {
		return was != now
	}
	return *was != *now || c.was.TaxMinor != c.now.taxed() || c.was.Currency != c.now.currency
}

// invoices tells every invoice, and of the newest what has changed since.
func (k *charger) invoices(of *chargesOf) (out []*pb.InvoiceRow) {
	for _, v := range of.c.Invoices {
		sums := sums{}
		for _, l := range v.Lines {
			if l.AmountMinor != nil {
				sums.of(l.Currency, *l.AmountMinor, l.TaxMinor)
			}
		}
		out = append(out, &pb.InvoiceRow{
			Number: v.Number, On: v.On, At: k.b.Stamp(v.Stamp.AtMs), Who: k.b.Person(v.Stamp.Author), Record: v.Stamp.Record.String(), Totals: sums.rows(),
		})
	}
	for _, x := range of.changes {
		row := &pb.ChargeChange{Line: x.line, Text: x.was.Text, Currency: x.was.Currency, WasMinor: invoicedTotal(x.was)}
		if l := x.now; l != nil {
			row.Text, row.Currency = k.b.itemWords(l.item, l.product, l.name), l.currency
			if l.price != nil {
				row.NowMinor = new(*l.amount() + l.taxed())
			}
		}
		last := out[len(out)-1]
		last.Changes = append(last.Changes, row)
	}
	return out
}

// sums are totals by currency.
type sums map[string]*pb.ChargeSum

func (s sums) add(l *charge) { s.of(l.currency, *l.amount(), l.taxed()) }

func (s sums) of(currency string, amount, tax int64) {
	if s[currency] == nil {
		s[currency] = &pb.ChargeSum{Currency: currency}
	}
	s[currency].AmountMinor += amount
	s[currency].TaxMinor += tax
	s[currency].TotalMinor += amount + tax
}

func (s sums) rows() []*pb.ChargeSum {
	return slices.SortedFunc(maps.Values(s), func(x, y *pb.ChargeSum) int { return cmp.Compare(x.Currency, y.Currency) })
}

// taxSums are the tax by currency and rate.
type taxSums map[taxKey]*pb.ChargeTax

type taxKey struct {
	currency string
	rateBp   int32
}

func (s taxSums) add(l *charge) {
	if l.tax == nil || l.rateBp == 0 {
		return
	}
	at := taxKey{l.currency, l.rateBp}
	if s[at] == nil {
		s[at] = &pb.ChargeTax{Name: l.tax.Name, RatePercent: float64(l.rateBp) / 100, Currency: l.currency}
	}
	s[at].AmountMinor += *l.amount()
	s[at].TaxMinor += l.taxed()
}

func (s taxSums) rows() []*pb.ChargeTax {
	return slices.SortedFunc(maps.Values(s), func(x, y *pb.ChargeTax) int {
		return cmp.Or(cmp.Compare(x.Currency, y.Currency), cmp.Compare(x.RatePercent, y.RatePercent))
	})
}
