package ledger

import (
	"slices"

	pb "thawtrail/proto/thawtrail/v1"
)

// ChargeWord is what a person said of one line of what is charged for a case: a line that
// is added, or an own count or price of one, or that it is taken off.
type ChargeWord struct {
	_          struct{} `cbor:",toarray"`
	Stamp      Stamp
	Added      bool
	Off        bool
	Line       string // of a line that is not added
	Item       pb.PriceItem
	Name       string
	Product    string
	Count      *int32
	PriceMinor *int64
	Currency   string
	Reason     string
}

// Invoice is the word that a case was invoiced, with the lines as they stood.
type Invoice struct {
	_      struct{} `cbor:",toarray"`
	Stamp  Stamp
	Number string
	On     string
	Lines  []InvoicedLine
}

// InvoicedLine is one of them; without an amount where no price stood.
type InvoicedLine struct {
	_           struct{} `cbor:",toarray"`
	Line        string
	Text        string
	AmountMinor *int64
	TaxMinor    int64
	Currency    string
}

// ChargeReason is why a case came to another amount than was agreed.
type ChargeReason struct {
	_     struct{} `cbor:",toarray"`
	Stamp Stamp
	Text  string
}

// charged takes what people said of the charges, in the order in which they wrote it: the
// last word about a line stands, whatever time it names.
func (c *Case) charged(f *fact) {
	at := f.stamp()
	switch p := f.body.(type) {
	case *pb.ChargeAdded:
		c.Charges = append(c.Charges, ChargeWord{
			Stamp: at, Added: true, Item: p.Item, Name: p.Name, Product: p.Product, Count: copied(p.Count),
			PriceMinor: copied(p.PriceMinor), Currency: p.Currency, Reason: p.Reason,
		})
	case *pb.ChargeChanged:
		c.Charges = append(c.Charges, ChargeWord{
			Stamp: at, Line: p.Line, Count: copied(p.Count), PriceMinor: copied(p.PriceMinor), Currency: p.Currency, Reason: p.Reason,
		})
	case *pb.ChargeTakenOff:
		c.Charges = append(c.Charges, ChargeWord{Stamp: at, Off: true, Line: p.Line, Reason: p.Reason})
	case *pb.ChargeExplained:
		c.ChargeReason = &ChargeReason{Stamp: at, Text: p.Text}
	case *pb.CaseInvoiced:
		c.Invoices = append(c.Invoices, invoiceOf(at, p))
	}
}

func invoiceOf(at Stamp, p *pb.CaseInvoiced) Invoice {
	out := Invoice{Stamp: at, Number: p.Number, On: p.On}
	for _, l := range p.Lines {
		out.Lines = append(out.Lines, InvoicedLine{
			Line: l.GetLine(), Text: l.GetText(), AmountMinor: copied(l.AmountMinor), TaxMinor: l.GetTaxMinor(), Currency: l.GetCurrency(),
		})
	}
	return out
}

// Agreed is the last agreement that names an amount; nil where none does.
func (c *Case) Agreed() *Estimate {
	for i := range slices.Backward(c.Estimates) {
		if c.Estimates[i].AmountMinor != nil {
			return &c.Estimates[i]
		}
	}
	return nil
}

// AgreedUnused is the last agreement that names the price of a bag thawed and not used.
func (c *Case) AgreedUnused() *Estimate {
	for i := range slices.Backward(c.Estimates) {
		if c.Estimates[i].UnusedBagMinor != nil {
			return &c.Estimates[i]
		}
	}
	return nil
}
