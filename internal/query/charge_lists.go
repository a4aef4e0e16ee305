package query

import (
	"cmp"
	"context"
	"maps"
	"slices"
	"strings"
	"time"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/refusal"
	"thawtrail/internal/store"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// ListPrices is the price list as it holds at a moment, with the prices that are to come.
func (s Reader) ListPrices(ctx context.Context, req *pb.ListPricesRequest) (*pb.ListPricesResponse, error) {
	out := &pb.ListPricesResponse{}
	err := s.View(ctx, func(b *ReadView) error {
		at := b.Now()
		if req.At != "" {
			var err error
			if at, err = time.Parse(time.RFC3339, req.At); err != nil {
				return refusal.New("at", req.At, "a moment such as 2026-11-25T02:30:00+11:00")
			}
		}
		out.Currency = b.currency()
		return b.Each(event.KindPrice, func(st ledger.State) (bool, error) {
			p := st.(*ledger.Price)
			if v := p.At(at.UnixMilli()); v != nil {
				out.Rows = append(out.Rows, b.priceRow(p, v, false))
			}
			for _, v := range p.ToCome(at.UnixMilli()) {
				out.Rows = append(out.Rows, b.priceRow(p, &v, true))
			}
			return true, nil
		})
	})
	return out, err
}

func (b *ReadView) priceRow(p *ledger.Price, v *ledger.PriceVersion, toCome bool) *pb.PriceRow {
	row := &pb.PriceRow{
		Item: wording.Code(p.Item), Text: b.itemWords(p.Item, p.Product, p.Name), Product: b.Name(event.KindProduct, p.Product), Name: p.Name,
		Currency: v.Currency, From: b.Stamp(v.FromMs), ToCome: toCome, Who: b.Person(v.Stamp.Author), Record: v.Stamp.Record.String(),
	}
	if p.Entity.ID == event.TaxID {
		row.Item, row.RatePercent = event.TaxID, new(float64(v.RateBp)/100)
	} else {
		row.PriceMinor = &v.PriceMinor
	}
	return row
}

// ListCharges lists the lines of what is charged, case by case.
func (s Reader) ListCharges(ctx context.Context, req *pb.ListChargesRequest) (*pb.ListChargesResponse, error) {
	out := &pb.ListChargesResponse{}
	err := s.View(ctx, func(b *ReadView) error {
		if err := event.Typed(req); err != nil {
			return err
		}
		terms, in, err := b.chargeTerms(req)
		if err != nil {
			return err
		}
		k, err := b.newCharger()
		if err != nil {
			return err
		}
		out.Currency = b.currency()
		out.Next, err = b.listed(req, terms, func(f store.Found) error {
			of, err := k.found(f)
			if err != nil || of == nil {
				return cmp.Or(err, errNotAsked)
			}
			rows := k.rowsIn(of, in)
			out.Rows = append(out.Rows, rows...)
			return orNotAsked(rows)
		})
		return err
	})
	return out, err
}

// chargesAsked is a question about the charges of some days and one client.
type chargesAsked interface {
	GetFrom() string
	GetTo() string
	GetClient() string
}

// chargeTerms are the words under which the cases of such a question are found.
func (b *ReadView) chargeTerms(req chargesAsked) (terms []string, in span, err error) {
	if in, err = b.spanOf(req.GetFrom(), req.GetTo()); err != nil {
		return nil, in, err
	}
	client, err := b.optional("client", event.KindClient, req.GetClient())
	if client != "" {
		return []string{ledger.TermCaseOf(client)}, in, err
	}
	return []string{ledger.TermOpenCase, ledger.TermClosedCase}, in, err
}

// found is what is charged for a case that was found; nil where it is not here, or where
// its bill stands in another one that is one with it.
func (k *charger) found(f store.Found) (*chargesOf, error) {
	c, err := k.b.Case(f.Key.ID)
	if err != nil || c == nil {
		return nil, err
	}
	of, err := k.of(c)
	if err != nil || of.c.Entity != c.Entity {
		return nil, err
	}
	return of, nil
}

// rowsIn are the lines of a case in a span that were not taken off.
func (k *charger) rowsIn(of *chargesOf, in span) (out []*pb.ChargeRow) {
	for _, l := range of.lines {
		if !l.off && in.has(l.atMs) {
			out = append(out, k.row(of, l))
		}
	}
	return out
}

// ListCharged adds the same lines up by month, client and currency.
func (s Reader) ListCharged(ctx context.Context, req *pb.ListChargedRequest) (*pb.ListChargedResponse, error) {
	out := &pb.ListChargedResponse{}
	err := s.View(ctx, func(b *ReadView) error {
		terms, in, err := b.chargeTerms(req)
		if err != nil {
			return err
		}
		k, err := b.newCharger()
		if err != nil {
			return err
		}
		all, totals := charged{}, sums{}
		for _, term := range terms {
			err := b.Snapshot.Newest(term, "", func(f store.Found) (bool, error) {
				of, err := k.found(f)
				if err == nil && of != nil {
					k.addUp(all, totals, of, in)
				}
				return err == nil, err
			})
			if err != nil {
				return err
			}
		}
		out.Rows, out.Totals, out.Currency = all.rows(), totals.rows(), b.currency()
		return nil
	})
	return out, err
}

// charged are sums by month, client and currency.
type charged map[chargedKey]*pb.ChargedRow

type chargedKey struct{ month, client, currency string }

func (k *charger) addUp(all charged, totals sums, of *chargesOf, in span) {
	invoiced, changed := of.newest() != nil, len(of.changes) > 0
	seen := map[chargedKey]bool{}
	for _, l := range of.lines {
		if l.off || !in.has(l.atMs) {
			continue
		}
		row, at := k.sumRow(all, of, l)
		if !seen[at] {
			seen[at] = true
			row.Cases++
			row.ChangedCases += int32(boolInt(changed))
		}
		row.Lines++
		if l.price == nil {
			row.WithoutPrice++
			continue
		}
		totals.add(l)
		amount, tax := *l.amount(), l.taxed()
		row.AmountMinor, row.TaxMinor, row.TotalMinor = row.AmountMinor+amount, row.TaxMinor+tax, row.TotalMinor+amount+tax
		if invoiced {
			row.InvoicedMinor += amount + tax
		} else {
			row.OpenMinor += amount + tax
		}
	}
}

// sumRow is the row to which a line belongs.
func (k *charger) sumRow(all charged, of *chargesOf, l *charge) (*pb.ChargedRow, chargedKey) {
	at := chargedKey{month: k.b.month(l.atMs), currency: l.currency}
	if of.c.Patient != nil {
		at.client = of.c.Patient.Client
	}
	if all[at] == nil {
		all[at] = &pb.ChargedRow{Month: at.month, ClientId: at.client, Currency: at.currency}
		all[at].Client, _, _ = k.b.Client(at.client)
	}
	return all[at], at
}

func (c charged) rows() []*pb.ChargedRow {
	return slices.SortedFunc(maps.Values(c), func(x, y *pb.ChargedRow) int {
		return cmp.Or(cmp.Compare(x.Month, y.Month), cmp.Compare(strings.ToLower(x.Client), strings.ToLower(y.Client)),
			cmp.Compare(x.ClientId, y.ClientId), cmp.Compare(x.Currency, y.Currency))
	})
}

// month is the month of a moment by the practice's clock.
func (b *ReadView) month(ms int64) string { return time.UnixMilli(ms).In(b.zone).Format("2006-01") }
