package ledger

import (
	"encoding/binary"
	"fmt"
)

// EncodeLine is the line of a state as bytes: the same state always into the same
// bytes. It is nil for kinds that lists read in full, and for a case that was voided as
// a whole. short is its begin, which is all that lists of what is in stock read: it lies
// with the terms that hold it (HoldsLine).
func EncodeLine(s State) (line, short []byte) {
	switch s := s.(type) {
	case *Bag:
		short = pack(s.Line().fields)
		return append(short[:len(short):len(short)], pack(s.books().fields)...), short
	case *Case:
		if s.told() {
			return pack(s.Line().fields), nil
		}
	}
	return nil, nil
}

// DecodeBagLine reads what EncodeLine wrote of a bag with the same FoldVersion.
func DecodeBagLine(b []byte) (*BagLine, error) {
	l := &BagLine{}
	return l, l.Read(b)
}

// Read is DecodeBagLine into a line that was read before, so that one serves for all bags:
// what it held is overwritten, but for label and texts.
func (l *BagLine) Read(b []byte) error {
	if err := unpack(string(b), l.fields); err != nil {
		return fmt.Errorf("decode line of a bag: %w", err)
	}
	return nil
}

// Read reads what EncodeLine wrote of a case with the same FoldVersion. What the line
// held before is overwritten, but for texts.
func (l *CaseLine) Read(b []byte) error {
	if err := unpack(string(b), l.fields); err != nil {
		return fmt.Errorf("decode line of a case: %w", err)
	}
	return nil
}

// ReadBooks reads what sums over time need.
func (l *BagLine) ReadBooks() (*BagBooks, error) {
	out := &BagBooks{}
	return out, out.Read(l)
}

// Read is ReadBooks into books that were read before: what they held is overwritten.
func (b *BagBooks) Read(l *BagLine) error {
	if err := unpack(l.Books, b.fields); err != nil {
		return fmt.Errorf("decode the books of a bag: %w", err)
	}
	return nil
}

// Labels reads what stands about bags and nothing else of their lines: bags of one
// delivery share one label.
type Labels map[string]*BagLabel

// Read gives the number of a bag and its label from its line; nil for none.
func (s Labels) Read(line []byte) (id string, label *BagLabel, err error) {
	number, rest, ok := cutText(line)
	packed, _, whole := cutText(rest)
	if !ok || !whole {
		return "", nil, fmt.Errorf("decode line of a bag: %w", errPacked)
	}
	label, known := s[string(packed)]
	if known || len(packed) == 0 {
		return string(number), label, nil
	}
	label = &BagLabel{}
	if err := unpack(string(packed), label.fields); err != nil {
		return "", nil, fmt.Errorf("decode label of a bag: %w", err)
	}
	s[string(packed)] = label
	return string(number), label, nil
}

// cutText reads a text and leaves what is behind it.
func cutText(b []byte) (text, rest []byte, ok bool) {
	n, width := binary.Uvarint(b)
	if width <= 0 || n > uint64(len(b)-width) {
		return nil, nil, false
	}
	return b[width : width+int(n)], b[width+int(n):], true
}

func (l *BagLine) fields(p *packing) {
	p.text(&l.ID)
	part(p, &l.Label, (*BagLabel).fields)
	p.text(&l.Place)
	p.text(&l.Ended)
	number(p, &l.GivenMl)
	maybe(p, &l.Clocks, func(p *packing, c *Clocks) { c.fields(p) })
	several(p, &l.Stays, func(p *packing, s *Stay) {
		p.text(&s.Place)
		number(p, &s.FromMs)
	})
	several(p, &l.Judged, func(p *packing, j *Judged) {
		p.text(&j.Warm)
		number(p, &j.AtMs)
		p.flag(&j.Unfit)
		p.text(&j.Reason)
	})
	p.flag(&l.Settled)
	p.flag(&l.Torn)
	p.text(&l.Aside)
	p.text(&l.Arrived)
	several(p, &l.Given, func(p *packing, g *GivenTo) {
		p.text(&g.Case)
		p.text(&g.Patient)
		number(p, &g.Ml)
	})
	p.rest(&l.Books) // a line without them is the begin of the one with them
}

func (l *BagLabel) fields(p *packing) {
	p.text(&l.Product)
	p.text(&l.Batch)
	p.text(&l.Expiry)
	number(p, &l.VolumeMl)
	maybe(p, &l.IggCgPerL, number)
	maybe(p, &l.CostMinor, number)
	p.text(&l.Donor)
	p.text(&l.Delivery)
	p.text(&l.Supplier)
	p.text(&l.Serial)
	p.flag(&l.Borrowed)
	p.flag(&l.Found)
}

func (c *Clocks) fields(p *packing) {
	number(p, &c.SoftenedMs)
	p.flag(&c.Refrozen)
	number(p, &c.RefrozenMs)
	number(p, &c.ThawStartedMs)
	number(p, &c.ThawedMs)
	number(p, &c.SetMs)
	maybe(p, &c.KeptAtDc, number)
	p.text(&c.ForCase)
}

func (b *BagBooks) fields(p *packing) {
	several(p, &b.Moves, func(p *packing, m *LineMove) {
		number(p, &m.AtMs)
		p.text(&m.Author)
		p.text(&m.How)
		number(p, &m.Reason)
		p.text(&m.From)
		p.text(&m.To)
		p.flag(&m.Was)
		p.flag(&m.Is)
	})
	several(p, &b.Doses, func(p *packing, d *Dose) {
		number(p, &d.AtMs)
		p.text(&d.Author)
		p.text(&d.Place)
		p.text(&d.Case)
		number(p, &d.Ml)
		p.flag(&d.Ended)
		number(p, &d.EndMs)
	})
	several(p, &b.Thrown, func(p *packing, t *Thrown) {
		number(p, &t.AtMs)
		p.hash(&t.Record)
		p.text(&t.Author)
		number(p, &t.Reason)
		maybe(p, &t.Ml, number)
	})
	several(p, &b.Counts, func(p *packing, c *LineCount) {
		number(p, &c.AtMs)
		p.hash(&c.Record)
		p.text(&c.Place)
		p.flag(&c.Seen)
	})
}

func (l *CaseLine) fields(p *packing) {
	p.text(&l.ID)
	p.text(&l.Canonical)
	number(p, &l.Kind)
	number(p, &l.OpenedMs)
	number(p, &l.BornMs)
	p.text(&l.Client)
	p.text(&l.DamName)
	p.text(&l.DamChip)
	p.text(&l.DamUeln)
	number(p, &l.Outcome)
	several(p, &l.Weights, func(p *packing, w *LineWeight) {
		number(p, &w.AtMs)
		number(p, &w.WeightG)
	})
	several(p, &l.Tests, func(p *packing, t *LineTest) {
		number(p, &t.AtMs)
		p.flag(&t.Recheck)
		maybe(p, &t.IggCgPerL, number)
		maybe(p, &t.BandLowCgPerL, number)
		maybe(p, &t.BandHighCgPerL, number)
		maybe(p, &t.CutCgPerL, number)
		number(p, &t.Side)
	})
	several(p, &l.Ran, func(p *packing, r *LineRun) {
		p.text(&r.Bag)
		p.text(&r.Product)
		p.text(&r.Batch)
		p.text(&r.Place)
		number(p, &r.FirstMs)
		number(p, &r.LastMs)
		number(p, &r.Ml)
	})
	several(p, &l.Reactions, func(p *packing, r *LineReaction) {
		number(p, &r.AtMs)
		p.text(&r.Bag)
	})
	several(p, &l.Exams, func(p *packing, e *LineExam) {
		number(p, &e.AtMs)
		p.flag(&e.Sick)
	})
}
