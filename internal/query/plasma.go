package query

import (
	"cmp"
	"context"
	"encoding/base64"
	"fmt"
	"slices"
	"strings"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/refusal"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// kindMoved is a move from one place to another: the one kind of row that is no way in
// which a bag comes or goes.
const kindMoved = "moved"

// ListPlasma lists what became of plasma as it happened: each bag that came, went or was
// moved, each dose that ran, each bag or rest that was thrown away. It reads the same
// lines as balance and use, so that its rows add up to them.
func (s Reader) ListPlasma(ctx context.Context, req *pb.ListPlasmaRequest) (*pb.ListPlasmaResponse, error) {
	out := &pb.ListPlasmaResponse{}
	err := s.View(ctx, func(b *ReadView) error {
		if err := event.Typed(req); err != nil {
			return err
		}
		l, err := b.newPlasma(req)
		if err != nil {
			return err
		}
		if err := b.eachBag(l.add); err != nil {
			return err
		}
		if b.practice != nil {
			out.Currency = b.practice.Currency
		}
		l.cut()
		if len(l.rows) > l.limit {
			l.rows = l.rows[:l.limit]
			out.Next = base64.RawURLEncoding.EncodeToString([]byte(l.rows[l.limit-1].mark))
		}
		for _, r := range l.rows {
			row, err := b.plasmaRow(r)
			if err != nil {
				return err
			}
			out.Rows = append(out.Rows, row)
		}
		return nil
	})
	return out, err
}

// plasma is such a list while it is made. It holds no more than two parts of it.
type plasma struct {
	asked
	place, product, kind string
	after                string // mark
	limit                int
	rows                 []happened
}

// happened is one row before anything else is looked up for it.
type happened struct {
	mark  string // puts it in its place among all rows, and is no other row's
	atMs  int64
	kind  string
	place string
	to    string
	who   string
	cas   string
	ml    *int32
	why   pb.DiscardReason
	cost  bool // the bag's cost belongs to this row
	bag   *ledger.BagLine
}

func (b *ReadView) newPlasma(req *pb.ListPlasmaRequest) (*plasma, error) {
	l := &plasma{kind: req.Kind, limit: int(cmp.Or(req.Limit, MaxRows))}
	mark, err := base64.RawURLEncoding.DecodeString(req.After)
	if err != nil || req.After != "" && strings.Count(string(mark), "/") != 2 {
		return nil, refusal.New("after", req.After, "the mark with which an earlier answer to this question ended")
	}
	l.after = string(mark)
	if l.asked, err = b.askedOf(req); err != nil {
		return nil, err
	}
	if l.place, err = b.optional("place", event.KindPlace, req.Place); err != nil {
		return nil, err
	}
	l.product, err = b.optional("product", event.KindProduct, req.Product)
	return l, err
}

// add takes what happened to one bag.
func (l *plasma) add(bag *ledger.BagLine, books *ledger.BagBooks) error {
	if l.product != "" && (bag.Label == nil || bag.Label.Product != l.product) {
		return nil
	}
	for i, d := range books.Doses {
		l.note(i, happened{atMs: d.AtMs, kind: ledger.EndGiven, place: d.Place, who: d.Author, cas: d.Case, ml: &d.Ml, cost: i == 0, bag: bag})
	}
	for i, t := range books.Thrown {
		whole := bag.Ended == ledger.EndDiscarded && i == len(books.Thrown)-1
		l.note(i, happened{
			atMs: t.AtMs, kind: ledger.EndDiscarded, place: books.LeftFrom(t.AtMs), who: t.Author, ml: toldMl(bag, books, t), why: t.Reason, cost: whole, bag: bag,
		})
	}
	for i, m := range books.Moves {
		l.noteMove(i, m, bag, i == len(books.Moves)-1)
	}
	return nil
}

// toldMl is how much was thrown away; nil where nobody told how much the rest was.
func toldMl(bag *ledger.BagLine, books *ledger.BagBooks, t ledger.Thrown) *int32 {
	if ml := thrownMl(bag, books, t); ml > 0 || t.Ml != nil {
		return new(int32(ml))
	}
	return nil
}

// noteMove takes a move, but for those that are rows as doses and as what was thrown away.
func (l *plasma) noteMove(i int, m ledger.LineMove, bag *ledger.BagLine, last bool) {
	h := happened{atMs: m.AtMs, kind: m.How, who: m.Author, bag: bag}
	switch {
	case m.How == ledger.EndGiven || m.How == ledger.EndDiscarded || m.Was == m.Is && m.From == m.To:
		return
	case m.Was && m.Is:
		h.kind, h.place, h.to = kindMoved, m.From, m.To
	case m.Is:
		h.place = m.To
	default:
		h.place, h.cost = m.From, last && bag.Ended == ledger.EndMissing
	}
	l.note(i, h)
}

func (l *plasma) note(i int, h happened) {
	there := l.place == "" || l.place == h.place || l.place == h.to
	if !there || l.kind != "" && l.kind != h.kind || !l.has(h.atMs, h.who) {
		return
	}
	h.bag = &ledger.BagLine{ID: h.bag.ID, Label: h.bag.Label} // the one that was read serves for the next bag
	h.mark = fmt.Sprintf("%016x/%s/%s%04d", uint64(h.atMs), h.bag.ID, h.kind, i)
	if h.mark <= l.after {
		return
	}
	if l.rows = append(l.rows, h); len(l.rows) > 2*l.limit {
		l.cut()
		l.rows = l.rows[:l.limit+1]
	}
}

// cut puts the rows in order.
func (l *plasma) cut() {
	slices.SortFunc(l.rows, func(x, y happened) int { return cmp.Compare(x.mark, y.mark) })
}

// plasmaRow looks up what people want to read beside what happened.
func (b *ReadView) plasmaRow(h happened) (*pb.PlasmaRow, error) {
	row := &pb.PlasmaRow{
		At: b.Stamp(h.atMs), Kind: h.kind, Bag: h.bag.ID, Place: b.Name(event.KindPlace, h.place), To: b.Name(event.KindPlace, h.to),
		Who: b.Person(h.who), VolumeMl: h.ml,
	}
	if h.kind == ledger.EndDiscarded {
		row.Reason = wording.Code(h.why)
	}
	if label := h.bag.Label; label != nil {
		row.Product, row.Batch, row.Expiry = b.Name(event.KindProduct, label.Product), label.Batch, label.Expiry
		if h.cost {
			row.CostMinor = label.CostMinor
		}
		if ml := int32(volumeOf(h.bag)); row.VolumeMl == nil && h.kind != ledger.EndDiscarded && ml > 0 {
			row.VolumeMl = &ml
		}
	}
	if h.cas == "" {
		return row, nil
	}
	return row, b.aboutPatient(row, h.cas)
}

// aboutPatient adds who got the plasma, and how that went.
func (b *ReadView) aboutPatient(row *pb.PlasmaRow, id string) error {
	c, err := b.Case(id)
	row.Case, row.Patient = id, b.PatientLine(id)
	if err != nil || c == nil {
		return err
	}
	if c.Patient != nil {
		row.Yard = c.Patient.Yard
		row.Client, _, _ = b.Client(c.Patient.Client)
	}
	if t, line := firstTransfusion(c), c.Line(); t != nil {
		row.IggBeforeGPerL, row.IggAfterGPerL = iggOf(line.NumberBefore(t.FirstMs())), iggOf(line.NumberAfter(t.FirstMs()))
	}
	row.Reaction, row.Outcome = ReactionWords(c), wording.Code(c.Outcome())
	return nil
}

// firstTransfusion is the one that began first.
func firstTransfusion(c *ledger.Case) (first *ledger.Transfusion) {
	for i := range c.Transfusions {
		if t := &c.Transfusions[i]; first == nil || t.FirstMs() < first.FirstMs() {
			first = t
		}
	}
	return first
}

// iggOf is a test's number in g/L.
func iggOf(t *ledger.LineTest) *float64 {
	if t == nil {
		return nil
	}
	return new(float64(*t.IggCgPerL) / 100)
}
