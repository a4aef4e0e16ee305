package query

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"thawtrail/internal/caution"
	"thawtrail/internal/engine"
	"thawtrail/internal/event"
	"thawtrail/internal/label"
	"thawtrail/internal/ledger"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// ListLevels tells how many bags to hold: what the coming weeks will want as a
// distribution, the level of least cost, when to order, what expires before it can be
// used, and how to share what there is over the cars. It is arithmetic over records.
// Nothing is moved or ordered by it.
func (s Reader) ListLevels(ctx context.Context, req *pb.ListLevelsRequest) (*pb.ListLevelsResponse, error) {
	out := &pb.ListLevelsResponse{}
	err := s.View(ctx, func(b *ReadView) error {
		if err := event.Typed(req); err != nil {
			return err
		}
		l := &levels{b: b, out: out, shown: int(cmp.Or(req.Weeks, usualWeeks))}
		if err := l.ask(req); err != nil {
			return err
		}
		for _, step := range []func() error{l.readPast, l.readMares, l.readUse, l.readStock, l.readOrders, l.reckonDemand, l.reckonExpiry, l.sharePlaces} {
			if err := step(); err != nil {
				return err
			}
		}
		l.tell()
		return nil
	})
	return out, err
}

const (
	usualWeeks = 12
	// shownLevels is how many levels are told on each side of the one of least cost.
	shownLevels = 6
	// neverExpires is the week of a bag of which no day is known.
	neverExpires = 1 << 30
)

// levels are reckoned here, step by step. Amounts of the past, of stock and of demand
// are of one product where one was asked for.
type levels struct {
	b       *ReadView
	out     *pb.ListLevelsResponse
	product string    // id; empty for all
	today   time.Time // its first instant in the practice's zone
	shown   int       // weeks that are told

	mares   []awaited
	past    past
	bags    []stockedBag
	placed  int            // of these, at a place that is known here
	kits    map[string]int // filtered sets by place
	demand  engine.DemandWeeksInput
	weeks   []engine.SpanDemand
	raised  []caution.Raised
	because []string // sources
}

// ask reads the practice's settings, or what was asked for instead.
func (l *levels) ask(req *pb.ListLevelsRequest) (err error) {
	if l.product, err = l.b.optional("product", event.KindProduct, req.Product); err != nil {
		return err
	}
	l.today = firstInstant(label.DayOf(l.b.ClinicNow().In(l.b.zone)), l.b.zone)
	for _, s := range []struct {
		setting string
		asked   int32
		to      *int32
	}{
		{SettingLeadWeeks, req.LeadWeeks, &l.out.LeadWeeks}, {SettingShelfWeeks, req.ShelfWeeks, &l.out.ShelfWeeks},
		{SettingShortageBags, req.ShortageBags, &l.out.ShortageBags}, {SettingRefillDays, 0, &l.out.RefillDays},
	} {
		set, err := l.b.Setting(s.setting)
		if err != nil {
			return err
		}
		*s.to = cmp.Or(s.asked, int32(set))
	}
	l.out.ShelfWeeks = max(l.out.ShelfWeeks, l.out.LeadWeeks)
	l.out.Freshness = l.b.freshness()
	return nil
}

// day is a day that begins so many days from today.
func (l *levels) day(days int) string { return l.today.AddDate(0, 0, days).Format(time.DateOnly) }

// reckonDemand is what the coming weeks will want, all places together.
func (l *levels) reckonDemand() error {
	rate, err := l.failureRate()
	if err != nil {
		return err
	}
	in := engine.DemandWeeksInput{
		Alpha: rate.Alpha, Beta: rate.Beta, BagsPerFoal: l.past.bagsPerFoal(), OtherAWeek: l.out.Use.OtherBagsAWeek,
		Weeks: max(l.shown, int(l.out.ShelfWeeks), int(l.out.LeadWeeks)),
	}
	for _, m := range l.mares {
		if m.row.State == mareAwaited {
			in.Mares = append(in.Mares, m.due)
		}
	}
	r, err := engine.DemandWeeks(in)
	if err != nil {
		return err
	}
	l.demand, l.weeks = in, r.Weeks
	l.heard(r.Basis)
	for w, d := range r.Weeks[:l.shown] {
		l.out.Weeks = append(l.out.Weeks, l.week(w, d))
	}
	return l.hold(r.UpTo)
}

func (l *levels) heard(basis engine.Basis) {
	l.raised = append(l.raised, basis.Cautions...)
	l.out.Steps = append(l.out.Steps, basis.Steps...)
	l.because = append(l.because, basis.Sources...)
}

// leastTold is the chance from which a mare is named beside a week.
const leastTold = 0.01

func (l *levels) week(w int, d engine.SpanDemand) *pb.DemandWeek {
	row := &pb.DemandWeek{
		From: l.day(7 * w), To: l.day(7*w + 6), FoalsExpected: d.Foals, BagsExpected: d.Bags,
		BagsLow: int32(d.AtLeast(0.05)), BagsHigh: int32(d.AtLeast(0.95)), Chance: d.Chance,
	}
	for _, m := range l.mares {
		if m.row.State != mareAwaited {
			continue
		}
		if p := m.due.FoalsWithin(float64(d.FromDay), float64(d.ToDay)); p >= leastTold {
			row.Mares = append(row.Mares, &pb.MareChance{Mare: m.row.Mare, Name: m.row.Name, Chance: p})
		}
	}
	slices.SortStableFunc(row.Mares, func(x, y *pb.MareChance) int { return cmp.Compare(y.Chance, x.Chance) })
	return row
}

// hold weighs a shortage against a write-off.
func (l *levels) hold(upTo []engine.SpanDemand) error {
	usable := len(l.bags)
	r, err := engine.Levels(engine.LevelsInput{
		UpTo: upTo, LeadWeeks: int(l.out.LeadWeeks), ShelfWeeks: int(l.out.ShelfWeeks), Has: usable + int(l.out.Ordered),
		ShortMinor: int64(l.out.ShortageBags), WriteOffMinor: 1,
	})
	if err != nil {
		return err
	}
	l.heard(r.Basis)
	l.out.Hold, l.out.Has, l.out.Service = int32(r.Hold), int32(usable), r.Ratio
	for _, level := range r.Levels[max(0, r.Hold-shownLevels):min(len(r.Levels), r.Hold+shownLevels+1)] {
		l.out.Levels = append(l.out.Levels, &pb.LevelRow{
			Bags: int32(level.Bags), ExpectedShortage: level.Short, ExpectedWriteOff: level.WrittenOff, CostBags: level.CostMinor,
		})
	}
	l.order(r)
	return nil
}

// order suggests an order where one is due now or in a week that is told.
func (l *levels) order(r engine.LevelsResult) {
	bags, in := r.Order, r.OrderInWeeks
	if bags == 0 || in >= len(l.weeks) {
		return
	}
	product := l.product
	if product == "" {
		product = l.mostHeld()
	}
	line := &pb.SuggestedOrder{Product: l.b.Name(event.KindProduct, product), Bags: int32(bags), InWeeks: int32(in), OrderBy: l.day(7 * in)}
	line.Text = fmt.Sprintf("%s: %d to hold less %d here and %d on order; to be ordered by %s", wording.Plural(bags, "bag"), r.Hold, len(l.bags), l.out.Ordered, line.OrderBy)
	l.out.Order = append(l.out.Order, line)
}

// reckonExpiry is what expires before it can be used, the first to expire being used first.
func (l *levels) reckonExpiry() error {
	expiring := expiringBy(l.bags, len(l.weeks))
	off, err := engine.WriteOffs(l.weeks, expiring)
	if err != nil {
		return err
	}
	for w, n := range expiring {
		l.out.ExpectedWriteOff += off[w]
		if w < len(l.out.Weeks) {
			l.out.Weeks[w].BagsExpiring, l.out.Weeks[w].ExpectedWriteOff = int32(n), off[w]
		}
	}
	return nil
}

// expiringBy counts bags by the week in which they can be used last; those that keep
// longer than the weeks are not among them.
func expiringBy(bags []stockedBag, weeks int) []int {
	out := make([]int, weeks)
	for _, s := range bags {
		if s.lastWeek < weeks {
			out[s.lastWeek]++
		}
	}
	return out
}

func (l *levels) tell() {
	l.out.Text = fmt.Sprintf("Hold %s: here are %d, on order %d. This is arithmetic over the practice's records and published rates; the practice decides, and nothing is ordered by itself.",
		wording.Plural(int(l.out.Hold), "bag"), l.out.Has, l.out.Ordered)
	l.out.Cautions = wording.Cautions(caution.Once(l.raised))
	slices.Sort(l.because)
	l.out.Sources = slices.Compact(l.because)
}

// failureRate updates the print by the practice's own tests.
func (l *levels) failureRate() (engine.FailureRateResult, error) {
	r, err := engine.FailureRate(engine.FailureRateInput{Cut: engine.FailureCut(l.past.cut), Tested: l.past.tested, Under: len(l.past.under)})
	if err != nil {
		return r, err
	}
	l.heard(r.Basis)
	l.out.Failure = &pb.FailureBasis{
		UnderGPerL: int32(l.past.cut), Tested: int32(l.past.tested), Under: int32(len(l.past.under)), Low: r.Rate.Low, Mid: r.Rate.Mid, High: r.Rate.High,
		PrintWeight: r.PriorWeight, CasesUnder: l.past.under,
	}
	return r, nil
}

// mostHeld is the product of which most usable bags are here; the smaller id of two alike.
func (l *levels) mostHeld() string {
	n, best := map[string]int{}, ""
	for _, s := range l.bags {
		p := s.line.Label.Product
		if n[p]++; best == "" || n[p] > n[best] || n[p] == n[best] && p < best {
			best = p
		}
	}
	return best
}

// stockedBag is a bag that can be used.
type stockedBag struct {
	line     *ledger.BagLine
	lastWeek int // week from today in which it can be used last
}

// readStock reads what can be used, and the sets that go with it.
func (l *levels) readStock() error {
	err := l.b.Bags(ledger.TermStock, func(line *ledger.BagLine) error {
		ok, err := l.usable(line)
		if err != nil || !ok {
			return err
		}
		shelf, err := l.b.ShelfAt(line, l.b.ClinicNow())
		if err != nil {
			return err
		}
		switch shelf.State {
		case engine.ShelfFrozen, engine.ShelfThawed:
			l.bags = append(l.bags, stockedBag{line, l.lastWeek(shelf.UseBy)})
		}
		return nil
	})
	slices.SortFunc(l.bags, func(x, y stockedBag) int {
		return cmp.Or(cmp.Compare(x.lastWeek, y.lastWeek), cmp.Compare(x.line.ID, y.line.ID))
	})
	if err != nil {
		return err
	}
	return l.readKits()
}

// lastWeek is the week from today in which a bag can be used last.
func (l *levels) lastWeek(useBy time.Time) int {
	if useBy.IsZero() {
		return neverExpires
	}
	return max(0, int(useBy.Sub(l.today).Hours()/(7*24)))
}

// usable says that a bag is of the product that was asked for, and for the vein.
func (l *levels) usable(line *ledger.BagLine) (bool, error) {
	if line.Label == nil || l.product != "" && line.Label.Product != l.product {
		return false, nil
	}
	card, err := l.b.Card(line.Label.Product)
	return err == nil && (card == nil || card.Route != pb.ProductRoute_PRODUCT_ROUTE_MOUTH), err
}

// readKits counts filtered sets by place: without one no bag can be hung.
func (l *levels) readKits() error {
	l.kits = map[string]int{}
	return l.b.Each(event.KindKit, func(s ledger.State) (bool, error) {
		k := s.(*ledger.Kit)
		if place, _ := kitParts(k.Entity.ID); k.Sum > 0 && event.KitID(place, pb.KitItem_KIT_ITEM_FILTERED_SET) == k.Entity.ID {
			l.kits[place] = int(k.Sum)
		}
		return true, nil
	})
}

// readOrders reads what is on order.
func (l *levels) readOrders() error {
	keys, err := l.b.Newest(ledger.TermOrdered, MaxRows)
	if err != nil {
		return err
	}
	for _, k := range keys {
		o, err := Get[*ledger.Order](l.b, k.Kind, k.ID)
		if err != nil {
			return err
		}
		if o == nil || l.product != "" && o.Product != l.product {
			continue
		}
		l.out.Ordered += o.Count
		l.out.Orders = append(l.out.Orders, &pb.OpenOrder{
			Order: k.ID, Product: l.b.Name(event.KindProduct, o.Product), Bags: o.Count, Supplier: o.Supplier, ExpectedOn: o.ExpectedOn, PlacedAt: l.b.Stamp(o.Placed.AtMs),
		})
	}
	return nil
}
