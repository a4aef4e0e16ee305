package query

import (
	"cmp"
	"slices"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/say"
	pb "thawtrail/proto/thawtrail/v1"
)

// What is charged for a case is not typed: its lines are made from what happened, when
// they are asked for, each by the price that held then. What people say of a line (an own
// price, that it is taken off) is held against the line's name, and the last word stands.
// A line's name follows from the bag or the record that it comes from, so that it is the
// same on every laptop and after a correction.

// visitGapMs ends a visit: what is noted at the bedside after a pause so long is another
// one (ours). A foaling night over midnight is one visit.
const visitGapMs = 6 * 3_600_000

// charge is one line of what is charged.
type charge struct {
	id       string
	item     pb.PriceItem
	name     string // of item other
	product  string
	bag      string
	atMs     int64
	record   event.Hash // from which it comes
	count    int32
	price    *int64 // of one; nil where none stood
	currency string
	tax      *ledger.Price
	rateBp   int32
	added    bool
	off      bool
	word     *ledger.ChargeWord // the last one about it
}

// amount is count times price, before tax; nil without a price.
func (l *charge) amount() *int64 {
	if l.price == nil {
		return nil
	}
	return new(int64(l.count) * *l.price)
}

// taxed is the tax on the line. Each line is rounded by itself, so that lines add up to
// their totals however they are put together.
func (l *charge) taxed() int64 {
	if l.price == nil {
		return 0
	}
	return roundedShare(*l.amount(), int64(l.rateBp))
}

// roundedShare is so many ten-thousandths of an amount, to the nearest hundredth of its
// currency; a half goes away from zero.
func roundedShare(minor, bp int64) int64 {
	const whole = 10_000
	if minor < 0 {
		return -roundedShare(-minor, bp)
	}
	return (minor*bp + whole/2) / whole
}

// charger makes the lines of cases by one price list.
type charger struct {
	b      *ReadView
	prices map[string]*ledger.Price
}

func (b *ReadView) newCharger() (*charger, error) {
	k := &charger{b: b, prices: map[string]*ledger.Price{}}
	err := b.Each(event.KindPrice, func(s ledger.State) (bool, error) {
		k.prices[s.Key().ID] = s.(*ledger.Price)
		return true, nil
	})
	return k, err
}

// priceAt is the list's price of an item at a moment: that of the product, else the one
// for every product.
func (k *charger) priceAt(item pb.PriceItem, product, name string, ms int64) *ledger.PriceVersion {
	own := k.prices[event.PriceID(item, product, name)].At(ms)
	if own == nil && product != "" {
		own = k.prices[event.PriceID(item, "", name)].At(ms)
	}
	return own
}

// billed is what one patient had, as one case: several that were said to be one give one
// bill.
type billed struct {
	*ledger.Case
	ids []string // of the cases, in their order
}

func (c *billed) has(id string) bool { return slices.Contains(c.ids, id) }

// maxOneBill bounds the cases that are read as one.
const maxOneBill = 50

// billed puts a case and those that were said to be one with it together. The bill stands
// in the one with the smallest id, rather one whose client is known.
func (b *ReadView) billed(c *ledger.Case) (*billed, error) {
	all := []*ledger.Case{c}
	for i := 0; i < len(all) && len(all) < maxOneBill; i++ {
		linked, err := b.linkedCases(all[i])
		if err != nil {
			return nil, err
		}
		for _, o := range linked {
			if !slices.ContainsFunc(all, func(x *ledger.Case) bool { return x.Entity.ID == o.Entity.ID }) {
				all = append(all, o)
			}
		}
	}
	without := func(c *ledger.Case) int { return boolInt(c.Patient == nil || c.Patient.Client == "") }
	slices.SortFunc(all, func(x, y *ledger.Case) int {
		return cmp.Or(cmp.Compare(without(x), without(y)), cmp.Compare(x.Entity.ID, y.Entity.ID))
	})
	out := &billed{Case: all[0], ids: []string{all[0].Entity.ID}}
	if len(all) == 1 {
		return out, nil
	}
	one := *all[0]
	out.Case = &one
	for _, o := range all[1:] {
		out.ids = append(out.ids, o.Entity.ID)
		out.take(o)
	}
	byTime := func(x, y ledger.Stamp) int {
		return cmp.Or(cmp.Compare(x.AtMs, y.AtMs), slices.Compare(x.Record[:], y.Record[:]))
	}
	slices.SortFunc(one.Transfusions, func(x, y ledger.Transfusion) int {
		return cmp.Or(cmp.Compare(x.FirstMs(), y.FirstMs()), cmp.Compare(x.Bag, y.Bag))
	})
	slices.SortStableFunc(one.Estimates, func(x, y ledger.Estimate) int { return byTime(x.Stamp, y.Stamp) })
	return out, nil
}

// take puts what another of the cases tells beside it. A bag that both tell of is one.
func (c *billed) take(o *ledger.Case) {
	one := c.Case
	one.Thaws, one.Sets, one.Kit = slices.Concat(one.Thaws, o.Thaws), slices.Concat(one.Sets, o.Sets), slices.Concat(one.Kit, o.Kit)
	one.Transfusions = slices.Concat(one.Transfusions, o.Transfusions)
	one.IggTests, one.Exams, one.Weights = slices.Concat(one.IggTests, o.IggTests), slices.Concat(one.Exams, o.Exams), slices.Concat(one.Weights, o.Weights)
	one.Catheters, one.Vitals, one.Reactions = slices.Concat(one.Catheters, o.Catheters), slices.Concat(one.Vitals, o.Vitals), slices.Concat(one.Reactions, o.Reactions)
	one.Drugs, one.Fluids = slices.Concat(one.Drugs, o.Drugs), slices.Concat(one.Fluids, o.Fluids)
	one.Estimates, one.Timeline = slices.Concat(one.Estimates, o.Estimates), slices.Concat(one.Timeline, o.Timeline)
	written := map[event.Hash]int64{}
	for i := range one.Timeline {
		written[one.Timeline[i].Record] = one.Timeline[i].WallMs
	}
	one.Charges = asWritten(one.Charges, o.Charges, func(w ledger.ChargeWord) int64 { return written[w.Stamp.Record] })
	one.Invoices = asWritten(one.Invoices, o.Invoices, func(v ledger.Invoice) int64 { return written[v.Stamp.Record] })
	if r := o.ChargeReason; r != nil && (one.ChargeReason == nil || one.ChargeReason.Stamp.AtMs < r.Stamp.AtMs) {
		one.ChargeReason = r
	}
}

// asWritten joins what two cases tell by when it was written; what one tells keeps its order.
func asWritten[T any](x, y []T, at func(T) int64) (out []T) {
	for len(x) > 0 && len(y) > 0 {
		if at(y[0]) < at(x[0]) {
			x, y = y, x
		}
		out, x = append(out, x[0]), x[1:]
	}
	return slices.Concat(out, x, y)
}

// charges are the lines of a case as they happened, and the words about lines that are
// not there any more.
func (k *charger) charges(c *billed) (lines []*charge, lost []*ledger.ChargeWord, err error) {
	if lines, err = k.ofBags(c); err != nil {
		return nil, nil, err
	}
	lines = slices.Concat(lines, setCharges(c.Case), testCharges(c.Case), visitCharges(c.Case), addedCharges(c.Case))
	for _, l := range lines {
		k.put(c.Case, l)
	}
	for i := range c.Charges {
		w := &c.Charges[i]
		if w.Added {
			continue
		}
		j := slices.IndexFunc(lines, func(l *charge) bool { return l.id == w.Line })
		if j < 0 {
			lost = append(lost, w)
			continue
		}
		k.say(lines[j], w)
	}
	slices.SortFunc(lines, func(x, y *charge) int { return cmp.Or(cmp.Compare(x.atMs, y.atMs), cmp.Compare(x.id, y.id)) })
	return lines, lost, nil
}

// put gives a line the price of its time, unless it has one of its own, and the tax.
func (k *charger) put(c *ledger.Case, l *charge) {
	if agreed := c.AgreedUnused(); l.item == pb.PriceItem_PRICE_ITEM_UNUSED_BAG && agreed != nil && !l.added {
		l.price, l.currency = agreed.UnusedBagMinor, agreed.Currency
	}
	if v := k.priceAt(l.item, l.product, l.name, l.atMs); v != nil && l.price == nil {
		l.price, l.currency = &v.PriceMinor, v.Currency
	}
	if l.currency == "" {
		l.currency = k.b.currency()
	}
	if tax := k.prices[event.TaxID]; tax != nil {
		if v := tax.At(l.atMs); v != nil {
			l.tax, l.rateBp = tax, v.RateBp
		}
	}
}

// say lets a person's word about a line stand. What it does not name stays what it was.
func (k *charger) say(l *charge, w *ledger.ChargeWord) {
	l.word, l.off = w, w.Off
	if w.Count != nil {
		l.count = *w.Count
	}
	if w.PriceMinor != nil {
		l.price, l.currency = w.PriceMinor, cmp.Or(w.Currency, l.currency)
	}
}

// ofBags are the bags that hung, each with the case in which it hung first, what was
// thrown away of them, and bags that were thawed for the case and thrown away whole.
func (k *charger) ofBags(c *billed) (out []*charge, err error) {
	bags := map[string]bool{}
	for i := range c.Transfusions {
		t := &c.Transfusions[i]
		if bags[t.Bag] {
			continue
		}
		bags[t.Bag] = true
		more, err := k.ofHung(c, t)
		if err != nil {
			return nil, err
		}
		out = append(out, more...)
	}
	for _, thaw := range c.Thaws {
		if bags[thaw.Bag] {
			continue
		}
		bags[thaw.Bag] = true
		line, err := k.unused(c, thaw.Bag)
		if err != nil {
			return nil, err
		}
		if line != nil {
			out = append(out, line)
		}
	}
	return out, nil
}

func (k *charger) ofHung(c *billed, t *ledger.Transfusion) ([]*charge, error) {
	bag, known, err := k.b.bagLine(t.Bag)
	if err != nil {
		return nil, err
	}
	hung := &charge{id: "bag/" + t.Bag, item: pb.PriceItem_PRICE_ITEM_BAG, bag: t.Bag, product: t.Product, atMs: t.FirstMs(), record: hungBy(t), count: 1}
	if !known {
		return []*charge{hung}, nil
	}
	if bag.Label != nil {
		hung.product = bag.Label.Product
	}
	books, err := bag.ReadBooks()
	if err != nil {
		return nil, err
	}
	if len(books.Doses) > 0 && !c.has(books.Doses[0].Case) {
		return nil, nil // shared with a twin, in whose case it stands
	}
	out := []*charge{hung}
	for i, thrown := range books.Thrown {
		if bag.Ended == ledger.EndDiscarded && i == len(books.Thrown)-1 {
			continue // the whole bag, by the books
		}
		out = append(out, &charge{
			id: named("rest", thrown.Record), item: pb.PriceItem_PRICE_ITEM_REST_OF_BAG, bag: t.Bag, product: hung.product,
			atMs: thrown.AtMs, record: thrown.Record, count: 1,
		})
	}
	return out, nil
}

// hungBy is the record of the start, else of the end that somebody entered without one.
func hungBy(t *ledger.Transfusion) (h event.Hash) {
	switch {
	case len(t.Starts) > 0:
		return t.Starts[0].Record
	case len(t.Ends) > 0:
		return t.Ends[0].Stamp.Record
	}
	return h
}

// unused is the line of a bag that was thawed for a case, last of all for this one, and
// thrown away whole.
func (k *charger) unused(c *billed, id string) (*charge, error) {
	bag, known, err := k.b.bagLine(id)
	if err != nil || !known || bag.Ended != ledger.EndDiscarded || bag.Clocks == nil || !c.has(bag.Clocks.ForCase) {
		return nil, err
	}
	books, err := bag.ReadBooks()
	if err != nil || len(books.Doses) > 0 || len(books.Thrown) == 0 {
		return nil, err
	}
	thrown := books.Thrown[len(books.Thrown)-1]
	out := &charge{id: "unused_bag/" + id, item: pb.PriceItem_PRICE_ITEM_UNUSED_BAG, bag: id, atMs: thrown.AtMs, record: thrown.Record, count: 1}
	if bag.Label != nil {
		out.product = bag.Label.Product
	}
	return out, nil
}

// named is the name of a line that comes from a record.
func named(item string, record event.Hash) string { return item + "/" + record.String()[:12] }

// setCharges are the sets: each that was attached, one for each bag that hung without a
// word of its set, and of those taken from a place for the case what is more than these.
func setCharges(c *ledger.Case) (out []*charge) {
	add := func(at ledger.Stamp, bag string, count int32) {
		out = append(out, &charge{id: named("set", at.Record), item: pb.PriceItem_PRICE_ITEM_FILTERED_SET, bag: bag, atMs: at.AtMs, record: at.Record, count: count})
	}
	for _, s := range c.Sets {
		add(s.Stamp, s.Bag, 1)
	}
	for i := range c.Transfusions {
		t := &c.Transfusions[i]
		if slices.ContainsFunc(c.Transfusions[:i], func(o ledger.Transfusion) bool { return o.Bag == t.Bag && len(o.Starts) > 0 }) {
			continue // told in both of two cases that are one
		}
		told := slices.ContainsFunc(c.Sets, func(s ledger.CaseBag) bool { return s.Bag == t.Bag })
		if !told && len(t.Starts) > 0 {
			add(t.Starts[0], t.Bag, 1)
		}
	}
	covered := int32(len(out))
	for _, kit := range c.Kit {
		if kit.Item != pb.KitItem_KIT_ITEM_FILTERED_SET {
			continue
		}
		more := kit.Count - min(covered, kit.Count)
		if covered -= kit.Count - more; more > 0 {
			add(kit.Stamp, "", more)
		}
	}
	return out
}

// testCharges are the tests of IgG.
func testCharges(c *ledger.Case) (out []*charge) {
	for _, t := range c.IggTests {
		if !t.NeverSucked {
			out = append(out, &charge{id: named("test", t.Stamp.Record), item: pb.PriceItem_PRICE_ITEM_IGG_TEST, atMs: t.Stamp.AtMs, record: t.Stamp.Record, count: 1})
		}
	}
	return out
}

// visitCharges are the visits, each by the first thing that was noted at the bedside.
func visitCharges(c *ledger.Case) (out []*charge) {
	at := bedside(c)
	slices.SortFunc(at, func(x, y ledger.Stamp) int {
		return cmp.Or(cmp.Compare(x.AtMs, y.AtMs), slices.Compare(x.Record[:], y.Record[:]))
	})
	for i, s := range at {
		if i == 0 || s.AtMs-at[i-1].AtMs > visitGapMs {
			out = append(out, &charge{id: named("visit", s.Record), item: pb.PriceItem_PRICE_ITEM_VISIT, atMs: s.AtMs, record: s.Record, count: 1})
		}
	}
	return out
}

// bedside is when something was done at the patient.
func bedside(c *ledger.Case) (out []ledger.Stamp) {
	for i := range c.Transfusions {
		out = append(out, c.Transfusions[i].Starts...)
		for _, e := range c.Transfusions[i].Ends {
			out = append(out, e.Stamp)
		}
	}
	return slices.Concat(out, stampsOf(c.Exams, func(x ledger.Exam) ledger.Stamp { return x.Stamp }), stampsOf(c.Weights, func(x ledger.Weight) ledger.Stamp { return x.Stamp }),
		stampsOf(c.IggTests, func(x ledger.IggTest) ledger.Stamp { return x.Stamp }), stampsOf(c.Catheters, func(x ledger.Catheter) ledger.Stamp { return x.Stamp }),
		stampsOf(c.Vitals, func(x ledger.Vitals) ledger.Stamp { return x.Stamp }), stampsOf(c.Reactions, func(x ledger.Reaction) ledger.Stamp { return x.Stamp }),
		stampsOf(c.Drugs, func(x ledger.Drug) ledger.Stamp { return x.Stamp }), stampsOf(c.Fluids, func(x ledger.Fluid) ledger.Stamp { return x.Stamp }))
}

func stampsOf[T any](list []T, stamp func(T) ledger.Stamp) (out []ledger.Stamp) {
	for _, x := range list {
		out = append(out, stamp(x))
	}
	return out
}

// addedCharges are the lines that people added.
func addedCharges(c *ledger.Case) (out []*charge) {
	for i := range c.Charges {
		w := &c.Charges[i]
		if !w.Added {
			continue
		}
		l := &charge{
			id: named("own", w.Stamp.Record), item: w.Item, name: w.Name, product: w.Product, atMs: w.Stamp.AtMs, record: w.Stamp.Record,
			count: 1, price: w.PriceMinor, added: true, word: w,
		}
		if w.Count != nil {
			l.count = *w.Count
		}
		if w.PriceMinor != nil {
			l.currency = w.Currency
		}
		out = append(out, l)
	}
	return out
}

// itemWords is a line of the list in words: the item with its product or name.
func (b *ReadView) itemWords(item pb.PriceItem, product, name string) string {
	product = b.Name(event.KindProduct, product)
	switch item {
	case pb.PriceItem_PRICE_ITEM_BAG:
		return cmp.Or(toldOf(product, func(t string) string { return say.Text("charge.bag_of", t) }), say.Text("charge.bag"))
	case pb.PriceItem_PRICE_ITEM_REST_OF_BAG:
		return cmp.Or(toldOf(product, func(t string) string { return say.Text("charge.rest_of", t) }), say.Text("charge.rest"))
	case pb.PriceItem_PRICE_ITEM_UNUSED_BAG:
		return cmp.Or(toldOf(product, func(t string) string { return say.Text("charge.unused_of", t) }), say.Text("charge.unused"))
	case pb.PriceItem_PRICE_ITEM_FILTERED_SET:
		return say.Text("charge.set")
	case pb.PriceItem_PRICE_ITEM_VISIT:
		return say.Text("charge.visit")
	case pb.PriceItem_PRICE_ITEM_IGG_TEST:
		return say.Text("charge.test")
	}
	return name
}
