package query

import (
	"cmp"
	"context"
	"slices"
	"strings"
	"time"

	"thawtrail/internal/engine"
	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/refusal"
	"thawtrail/internal/store"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// ListStock lists bags by place, soonest use-by first, and kit; when asked, those
// that have left the stock after them, the last to leave first.
func (s Reader) ListStock(ctx context.Context, req *pb.ListStockRequest) (*pb.ListStockResponse, error) {
	out := &pb.ListStockResponse{}
	err := s.View(ctx, func(b *ReadView) error {
		out.Freshness = b.freshness()
		if err := event.Typed(req); err != nil {
			return err
		}
		at, err := b.asOf(req.At)
		if err != nil {
			return err
		}
		which, err := b.bagFilter(req)
		if err != nil {
			return err
		}
		order, err := stockOrder(req.Sort)
		if err != nil {
			return err
		}
		if err := b.stockAt(at, req, which, out); err != nil || !req.Grouped {
			return err
		}
		groupStock(out, order)
		return nil
	})
	return out, err
}

// stockAt lists the bags and the kit that were asked for.
func (b *ReadView) stockAt(at time.Time, req *pb.ListStockRequest, which bagFilter, out *pb.ListStockResponse) (err error) {
	add := func(bag *ledger.BagLine) error {
		if !which.fits(bag) {
			return nil
		}
		row, err := b.bagRow(bag, at)
		if err == nil && which.find.fits(row) {
			out.Bags = append(out.Bags, row)
		}
		return err
	}
	if at.Before(b.ClinicNow()) {
		return b.stockAsOf(at, req.All, add, out)
	}
	if req.After == "" {
		if err := b.Bags(which.term(), add); err != nil {
			return err
		}
		slices.SortStableFunc(out.Bags, compareBags)
		if out.Kit, err = b.kit(which.place); err != nil {
			return err
		}
	}
	if req.All {
		out.Next, err = b.goneBags(req, which, add)
	}
	return err
}

// stockAsOf lists what was in stock at a moment past, and when asked what had left it
// by then. It reads a line of every bag there ever was.
func (b *ReadView) stockAsOf(at time.Time, all bool, add func(*ledger.BagLine) error, out *pb.ListStockResponse) error {
	b.past = at
	err := b.EachLine(event.KindBag, func(raw []byte) (bool, error) {
		line, err := ledger.DecodeBagLine(raw)
		if err != nil {
			return false, err
		}
		then, err := line.AsOf(at.UnixMilli())
		if err != nil || then == nil || then.Ended != "" && !all {
			return true, err
		}
		return len(out.Bags) < MaxRows, add(then)
	})
	slices.SortStableFunc(out.Bags, compareBags)
	return err
}

// bagFilter says which bags a list takes; empty parts take all.
type bagFilter struct {
	place, batch string
	find         search
}

func (b *ReadView) bagFilter(req *pb.ListStockRequest) (f bagFilter, err error) {
	if f.place, err = b.optional("place", event.KindPlace, req.Place); err != nil {
		return f, err
	}
	f.batch, err = b.batchID(req.Product, req.Batch)
	f.find = searchOf(req.Find)
	return f, err
}

// batchID resolves a batch that may be absent; it needs its product too.
func (b *ReadView) batchID(product, code string) (string, error) {
	if product == "" && code == "" {
		return "", nil
	}
	if product == "" || code == "" {
		return "", refusal.New("batch", code, "a batch and its product, both or neither")
	}
	id, err := b.Resolve("product", event.KindProduct, product)
	return event.BatchID(id, code), err
}

// term finds the bags in stock among which those are that the filter takes.
func (f bagFilter) term() string {
	switch {
	case f.batch != "":
		return ledger.TermStockOf(f.batch)
	case f.place != "":
		return ledger.TermPlace(f.place)
	}
	return ledger.TermStock
}

func (f bagFilter) fits(bag *ledger.BagLine) bool {
	return (f.place == "" || bag.Place == f.place) &&
		(f.batch == "" || bag.Label != nil && event.BatchID(bag.Label.Product, bag.Label.Batch) == f.batch)
}

// goneBags hands on bags that have left the stock: those that a batch's
// deliveries name, or all, in parts. A search looks through the longest part that there
// is, so that it does not come back with nothing from a short one.
func (b *ReadView) goneBags(req *pb.ListStockRequest, which bagFilter, fn func(*ledger.BagLine) error) (next string, err error) {
	if which.batch == "" {
		part := &pb.ListStockRequest{After: req.After, Limit: req.Limit}
		if len(which.find) > 0 {
			part.Limit = 0
		}
		return b.listed(part, []string{ledger.TermGone}, func(f store.Found) error {
			line, err := ledger.DecodeBagLine(f.Line)
			if err != nil {
				return err
			}
			return fn(line)
		})
	}
	batch, err := Get[*ledger.Batch](b, event.KindBatch, which.batch)
	if err != nil || batch == nil {
		return "", err
	}
	for _, id := range bagsOf(batch) {
		line, ok, err := b.bagLine(id)
		if err != nil {
			return "", err
		}
		if !ok || line.Ended == "" {
			continue
		}
		if err := fn(line); err != nil {
			return "", err
		}
	}
	return "", nil
}

// bagsOf lists the bags that a batch's deliveries, finds and transfusions name,
// each once.
func bagsOf(batch *ledger.Batch) []string {
	var ids []string
	for _, st := range batch.Stock {
		ids = append(ids, st.Bags...)
	}
	for _, st := range batch.Starts {
		ids = append(ids, st.Bag)
	}
	slices.Sort(ids)
	return slices.Compact(ids)
}

// compareBags orders by place, then use-by, then number.
func compareBags(x, y *pb.BagRow) int {
	return cmp.Or(cmp.Compare(x.Place, y.Place), cmp.Compare(lastIfNone(x.UseBy), lastIfNone(y.UseBy)), cmp.Compare(x.Bag, y.Bag))
}

func lastIfNone(t string) string {
	if t == "" {
		return "~"
	}
	return t
}

// asOf reads the moment that is asked about, by the clinic's time; now when empty.
func (b *ReadView) asOf(text string) (time.Time, error) {
	if text == "" {
		return b.ClinicNow(), nil
	}
	at, err := time.Parse(time.RFC3339, text)
	if err != nil {
		return at, refusal.New("at", text, "a time such as 2026-11-24T02:10:00+11:00")
	}
	return at, nil
}

// optional resolves a text that may be absent.
func (b *ReadView) optional(field, kind, text string) (string, error) {
	if text == "" {
		return "", nil
	}
	return b.Resolve(field, kind, text)
}

// Bags hands on the bags found under a term, at most maxRows.
func (b *ReadView) Bags(term string, fn func(*ledger.BagLine) error) error {
	n := 0
	return b.eachFound(term, func(bag *ledger.BagLine) (bool, error) {
		n++
		return n < MaxRows, fn(bag)
	})
}

// kit lists what kit lies at a place, or at all.
func (b *ReadView) kit(place string) ([]*pb.KitRow, error) {
	var out []*pb.KitRow
	err := b.Each(event.KindKit, func(s ledger.State) (bool, error) {
		k := s.(*ledger.Kit)
		at, item := kitParts(k.Entity.ID)
		if place == "" || at == place {
			out = append(out, &pb.KitRow{Place: b.Name(event.KindPlace, at), Item: item, Count: int32(k.Sum)})
		}
		return len(out) < MaxRows, nil
	})
	slices.SortStableFunc(out, func(x, y *pb.KitRow) int { return cmp.Or(cmp.Compare(x.Place, y.Place), cmp.Compare(x.Item, y.Item)) })
	return out, err
}

// kitParts takes a kit id apart into place and item word.
func kitParts(id string) (place, item string) {
	place, number, _ := strings.Cut(id, "/")
	for n := range pb.KitItem_name {
		if event.KitID(place, pb.KitItem(n)) == place+"/"+number {
			return place, wording.Code(pb.KitItem(n))
		}
	}
	return place, number
}

// GetBag tells what happened to one bag.
func (s Reader) GetBag(ctx context.Context, req *pb.GetBagRequest) (*pb.GetBagResponse, error) {
	out := &pb.GetBagResponse{}
	err := s.View(ctx, func(b *ReadView) error {
		id, err := b.Resolve("bag", event.KindBag, req.Bag)
		if err != nil {
			return err
		}
		bag, err := b.Bag(id)
		if err != nil {
			return err
		}
		if bag == nil {
			return refusal.Conflict("bag", bagText(id), "a bag that is known here").Because("a bag nobody knew is entered with 'bag found'")
		}
		if out.Bag, err = b.bagRow(bag.Line(), b.ClinicNow()); err != nil {
			return err
		}
		out.Can = canDo(bag, out.Bag.States)
		out.Timeline, out.Discrepancies, out.Freshness = b.timeline(bag.Entity, bag.Timeline), b.discrepancies(bag), b.freshness()
		if bag.Label != nil {
			donor, err := b.Donor(bag.Label.Donor)
			out.Donor = linesText(b.donorLines(donor))
			return err
		}
		return nil
	})
	return out, err
}

// ListBatches lists batches with their holds and who has heard of them: those on
// hold first, the last delivered first.
func (s Reader) ListBatches(ctx context.Context, req *pb.ListBatchesRequest) (*pb.ListBatchesResponse, error) {
	out := &pb.ListBatchesResponse{}
	err := s.View(ctx, func(b *ReadView) error {
		out.Freshness = b.freshness()
		if err := event.Typed(req); err != nil {
			return err
		}
		add := func(id string) error {
			batch, err := Get[*ledger.Batch](b, event.KindBatch, id)
			if err != nil || batch == nil {
				return err
			}
			n, err := b.inStock(id)
			out.Batches = append(out.Batches, b.batchRow(batch, n))
			return err
		}
		one, err := b.batchID(req.Product, req.Batch)
		if err != nil {
			return err
		}
		if one != "" {
			return add(one)
		}
		terms := []string{ledger.TermHeld, ledger.TermFree}
		if req.Held {
			terms = terms[:1]
		}
		out.Next, err = b.listed(req, terms, func(f store.Found) error { return add(f.Key.ID) })
		return err
	})
	return out, err
}

// inStock counts the bags in stock of a batch.
func (b *ReadView) inStock(batch string) (n int32, err error) {
	err = b.FindLines(ledger.TermStockOf(batch), func(store.Found) (bool, error) {
		n++
		return true, nil
	})
	return n, err
}

func (b *ReadView) batchRow(batch *ledger.Batch, inStock int32) *pb.BatchRow {
	row := &pb.BatchRow{
		Product: b.Name(event.KindProduct, batch.Product), Batch: batch.Code,
		Held: len(batch.Standing()) > 0, BagsInStock: inStock,
	}
	for _, h := range batch.Holds {
		row.Holds = append(row.Holds, b.holdRow(h, batch.Heard))
	}
	return row
}

func (b *ReadView) holdRow(h ledger.Hold, heard []ledger.Heard) *pb.HoldRow {
	row := &pb.HoldRow{
		Record: h.Stamp.Record.String(), Kind: "hold", At: b.Stamp(h.Stamp.AtMs), Reason: h.Reason,
		Who: b.Person(h.Stamp.Author), SupportTelephone: h.SupportTelephone, Released: !h.Stands(),
	}
	if h.Recall {
		row.Kind = "recall"
	}
	row.Heard = append(row.Heard, &pb.HeardRow{Device: b.deviceOf(h.Log) + " (placed it)", At: b.Stamp(h.Stamp.AtMs)})
	for _, x := range heard {
		if x.Hold == h.Stamp.Record {
			row.Heard = append(row.Heard, &pb.HeardRow{Device: b.deviceOf(x.Log), At: b.Stamp(x.WallMs)})
		}
	}
	return row
}

// deviceOf names the laptop that writes a log.
func (b *ReadView) deviceOf(log event.LogID) string {
	if l, ok := b.r.Store.Log(log); ok {
		return cmp.Or(l.Name, event.Hash(l.ID).Short())
	}
	return log.Short()
}

// Person names who said something.
func (b *ReadView) Person(id string) string {
	if id == "" {
		return "nobody named"
	}
	return b.Name(event.KindPerson, id)
}

// ListProducts lists products by the card that stands.
func (s Reader) ListProducts(ctx context.Context, _ *pb.ListProductsRequest) (*pb.ListProductsResponse, error) {
	out := &pb.ListProductsResponse{}
	err := s.View(ctx, func(b *ReadView) error {
		return b.Each(event.KindProduct, func(st ledger.State) (bool, error) {
			p := st.(*ledger.Product)
			if c := p.Card(); c != nil {
				out.Products = append(out.Products, b.productRow(p.Entity.ID, c))
			}
			return len(out.Products) < MaxRows, nil
		})
	})
	return out, err
}

func (b *ReadView) productRow(id string, c *ledger.Card) *pb.ProductRow {
	row := &pb.ProductRow{
		Product: id, Name: c.Name, Maker: c.Maker, SupportTelephone: c.SupportTelephone,
		Route: wording.Code(c.Route), Version: c.Version, Thaw: c.Thaw, Rate: c.Rate,
		Label: linesText(b.CardLines(c)),
	}
	if c.VolumeMl != nil {
		row.VolumeMl = *c.VolumeMl
	}
	if c.LeastIggCgPerL != nil {
		row.LeastIggGPerL = float64(*c.LeastIggCgPerL) / 100
	}
	return row
}

// ListPlaces lists places with their last reading and kit.
func (s Reader) ListPlaces(ctx context.Context, _ *pb.ListPlacesRequest) (*pb.ListPlacesResponse, error) {
	out := &pb.ListPlacesResponse{}
	err := s.View(ctx, func(b *ReadView) error {
		err := b.Each(event.KindPlace, func(st ledger.State) (bool, error) {
			row, err := b.placeRow(st.(*ledger.Place))
			out.Places = append(out.Places, row)
			return len(out.Places) < MaxRows, err
		})
		if err != nil {
			return err
		}
		out.Kit, err = b.kit("")
		return err
	})
	return out, err
}

// placeRow says 'history unknown' of a place without readings, never 'good'.
func (b *ReadView) placeRow(p *ledger.Place) (*pb.PlaceRow, error) {
	row := &pb.PlaceRow{Place: p.Entity.ID, Name: p.Name, Kind: wording.Code(p.Kind), History: "history unknown: no reading"}
	there, err := b.Find(ledger.TermPlace(p.Entity.ID))
	if err != nil {
		return nil, err
	}
	row.Bags = int32(len(there))
	next := b.now.UnixMilli() // of a place that nobody has read
	for _, month := range []time.Time{b.now.UTC(), b.now.UTC().AddDate(0, -1, 0)} {
		t, err := Get[*ledger.Temperature](b, event.KindTemperature, p.Entity.ID+"/"+month.Format("2006-01"))
		if err != nil {
			return nil, err
		}
		if t != nil && len(t.Readings) > 0 {
			last := t.Readings[len(t.Readings)-1]
			now := float64(last.NowDc) / 10
			row.NowC, row.LastReadingAt, row.History = &now, b.Stamp(last.Stamp.AtMs), wording.Plural(len(t.Readings), "reading")+" in "+month.Format("January 2006")
			next = last.Stamp.AtMs + readEveryMs(p)
			break
		}
	}
	if p.ReadEveryH > 0 {
		row.NextReadingAt, row.ReadingOverdue = b.Stamp(next), next <= b.now.UnixMilli()
	}
	for _, w := range p.Warm {
		row.History += "; warm or off from " + b.Stamp(w.FromMs)
	}
	return row, nil
}

// ChooseBags picks bags of the stock for a case, with the reasons.
func (s Reader) ChooseBags(ctx context.Context, req *pb.ChooseBagsRequest) (*pb.ChooseBagsResponse, error) {
	out := &pb.ChooseBagsResponse{}
	err := s.View(ctx, func(b *ReadView) error {
		if err := event.Typed(req); err != nil {
			return err
		}
		in, err := b.pickInput(req)
		if err != nil {
			return err
		}
		res, err := engine.Pick(in)
		if err != nil {
			return err
		}
		for _, id := range res.Bags {
			bag, ok, err := b.bagLine(id)
			if err != nil || !ok {
				return err
			}
			row, err := b.bagRow(bag, b.ClinicNow())
			if err != nil {
				return err
			}
			out.Bags = append(out.Bags, row)
		}
		out.WasteMl, out.RunnerUp, out.Steps, out.Freshness = int32(res.WasteMl), res.RunnerUp, res.Steps, b.freshness()
		out.Cautions = append(wording.Cautions(b.ClockCautions()), wording.Cautions(res.Cautions)...)
		return nil
	})
	return out, err
}

// transfusionHours is how long a plan reckons from choosing to the end when
// nobody says: thawing and a slow start included (ours).
const transfusionHours = 3 * time.Hour

func (b *ReadView) pickInput(req *pb.ChooseBagsRequest) (engine.PickInput, error) {
	in := engine.PickInput{NeedMl: int(req.NeedMl), At: b.ClinicNow(), Until: b.ClinicNow().Add(transfusionHours)}
	var err error
	if req.Until != "" {
		if in.Until, err = b.asOf(req.Until); err != nil {
			return in, err
		}
	}
	if in.Place, err = b.optional("place", event.KindPlace, req.Place); err != nil {
		return in, err
	}
	reacted, err := b.reactedBatches(req.Case)
	if err != nil {
		return in, err
	}
	err = b.Bags(bagFilter{place: in.Place}.term(), func(bag *ledger.BagLine) error {
		if bag.Label == nil || len(in.Bags) == engine.MaxPickBags {
			return nil
		}
		// What is labelled for the mouth is never offered for the vein.
		if card, err := b.Card(bag.Label.Product); err != nil || card != nil && card.Route == pb.ProductRoute_PRODUCT_ROUTE_MOUTH {
			return err
		}
		shelf, err := b.ShelfAt(bag, b.ClinicNow())
		if err != nil {
			return err
		}
		l := bag.Label
		in.Bags = append(in.Bags, engine.PickBag{
			ID: bag.ID, Product: l.Product, Batch: l.Batch, VolumeMl: int(l.VolumeMl), UseBy: shelf.UseBy,
			Place: bag.Place, State: shelf.State, Reacted: reacted[event.BatchID(l.Product, l.Batch)],
		})
		return nil
	})
	return in, err
}

// reactedBatches are the batches to which this patient reacted.
func (b *ReadView) reactedBatches(text string) (map[string]bool, error) {
	out := map[string]bool{}
	if text == "" {
		return out, nil
	}
	id, err := b.Resolve("case", event.KindCase, text)
	if err != nil {
		return nil, err
	}
	c, err := b.Case(id)
	if err != nil || c == nil {
		return out, err
	}
	for _, r := range c.Reactions {
		product, batch, err := b.batchNow(r.Bag, r.Product, r.Batch)
		if err != nil {
			return nil, err
		}
		if batch != "" {
			out[event.BatchID(product, batch)] = true
		}
	}
	return out, nil
}

// GivenOf is what each patient had of a bag. Cases that were said to be one are one
// patient, under the smallest of their ids.
func (b *ReadView) GivenOf(bag *ledger.Bag) (out []ledger.GivenTo, err error) {
	for _, g := range bag.Given {
		c, err := b.Case(g.Case)
		if err != nil {
			return nil, err
		}
		if c != nil {
			g.Case = c.Canonical()
		}
		i := slices.IndexFunc(out, func(o ledger.GivenTo) bool { return o.Case == g.Case })
		if i < 0 {
			out = append(out, g)
			continue
		}
		out[i].Ml = max(out[i].Ml, g.Ml) // one transfusion of one bag, entered twice
	}
	return out, nil
}

// KitCount is how many of a kit item a place holds by the books.
func (b *ReadView) KitCount(place string, item pb.KitItem) (int32, error) {
	k, err := Get[*ledger.Kit](b, event.KindKit, event.KitID(place, item))
	if k == nil {
		return 0, err
	}
	return int32(k.Sum), nil
}
