package query

import (
	"slices"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	"thawtrail/internal/say"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// ofStock tells where bags come from, lie and go; false when it is nothing of that.
func (w *teller) ofStock(m proto.Message) bool {
	switch p := m.(type) {
	case *pb.BagsReceived:
		w.received(p)
	case *pb.BagFound:
		w.begin(say.Text("tale.found", w.place(p.Place)))
		w.and(w.bags([]string{p.Bag}, true), w.batch(p.Product, p.Batch), say.Text("tale.expiry", p.Expiry), w.b.Ml(p.VolumeMl), quoted(p.Condition))
	case *pb.LabelUnreadable:
		w.torn(p)
	case *pb.BagsMoved:
		w.title(say.Text("tale.moved", w.place(p.ToPlace)))
		w.and(w.bags(p.Bags, false))
	case *pb.BagsCarried:
		w.carried(p)
	case *pb.PlaceCounted:
		w.counted(p)
	case *pb.BagMissing:
		w.missing(p)
	case *pb.BagsLent:
		w.title(say.Text("tale.lent", p.ToPractice))
		if p.GivenBack {
			w.title(say.Text("tale.lent_back", p.ToPractice))
		}
		w.and(w.bags(p.Bags, false))
	case *pb.BagDiscarded:
		w.begin(say.Text("tale.discarded", wording.Enum(p.Reason)))
		w.and(w.bag(p.Bag), maybe(p.VolumeMl, w.b.Ml), quoted(p.Text))
	case *pb.BagReturned:
		w.returned(p)
	case *pb.BagsPulled:
		w.title(say.Text("tale.pulled"))
		w.and(w.bags(p.Bags, false), quoted(p.Text))
	case *pb.BagKeptBack:
		w.title(say.Text("tale.kept_back"))
		w.and(w.bag(p.Bag), quoted(p.Reason), w.place(p.Place))
	default:
		return w.ofThaw(m) || w.ofBatch(m) || w.ofPlace(m)
	}
	return true
}

// ofThaw tells the way of a bag from frozen to spiked.
func (w *teller) ofThaw(m proto.Message) bool {
	switch p := m.(type) {
	case *pb.ThawStarted:
		w.begin(say.Text("tale.thaw_started"))
		if p.BathDc != nil {
			w.begin(say.Text("tale.thaw_started_at", w.b.Celsius(*p.BathDc)))
		}
		w.and(maybe(p.WaterLX10, func(v int32) string { return say.Text("tale.water", tenth(v)) }), w.bag(p.Bag), w.patient(p.Case))
	case *pb.BathMeasured:
		w.begin(say.Text("tale.bath_measured", w.b.Celsius(p.BathDc)))
		w.and(w.bag(p.Bag))
	case *pb.BagThawed:
		w.begin(say.Text("tale.thawed"))
		w.and(maybe(p.BagDc, func(v int32) string { return say.Text("tale.bag_at", w.b.Celsius(v)) }), w.bag(p.Bag))
	case *pb.BagSoftened:
		w.wrongly(say.Text("tale.softened"))
		w.and(w.bag(p.Bag), quoted(p.Reason))
	case *pb.BagRefrozen:
		w.wrongly(say.Text("tale.refrozen"))
		w.and(w.bag(p.Bag), quoted(p.Reason))
	case *pb.SetAttached:
		w.title(say.Text("tale.spiked"))
		w.and(w.bag(p.Bag), w.patient(p.Case))
	default:
		return false
	}
	return true
}

// ofBatch tells holds, recalls and releases.
func (w *teller) ofBatch(m proto.Message) bool {
	switch p := m.(type) {
	case *pb.BatchHeld:
		w.wrongly(say.Text("tale.held"))
		w.and(w.batch(p.Product, p.Batch), quoted(p.Reason), toldOf(p.MakerReference, func(t string) string { return say.Text("tale.reference", t) }))
	case *pb.BatchRecalled:
		w.wrongly(say.Text("tale.recalled"))
		w.and(w.batch(p.Product, p.Batch), quoted(p.Reason), toldOf(p.MakerReference, func(t string) string { return say.Text("tale.reference", t) }))
	case *pb.BatchReleased:
		w.title(say.Text("tale.released"))
		w.and(w.batch(p.Product, p.Batch), quoted(p.Reason))
	case *pb.QuarantineDecided:
		w.title(say.Text("tale.fit"))
		if p.Unfit {
			w.wrongly(say.Text("tale.unfit"))
		}
		w.and(w.bags(p.Bags, false), quoted(p.Reason))
	default:
		return false
	}
	return true
}

// ofPlace tells temperatures and kit of a place.
func (w *teller) ofPlace(m proto.Message) bool {
	switch p := m.(type) {
	case *pb.TemperatureRead:
		w.begin(say.Text("tale.reading", w.b.Celsius(p.NowDc)))
		w.and(maybe(p.LeastDc, func(v int32) string { return say.Text("tale.least", w.b.Celsius(v)) }),
			maybe(p.MostDc, func(v int32) string { return say.Text("tale.most", w.b.Celsius(v)) }), w.place(p.Place))
	case *pb.PlaceWarm:
		w.warm(p)
	case *pb.KitStocked:
		w.begin(say.Text("tale.kit_added", p.Count, wording.Enum(p.Item), w.place(p.Place)))
		w.and(toldOf(p.Lot, func(t string) string { return say.Text("tale.lot", t) }), toldOf(p.Expiry, func(t string) string { return say.Text("tale.expiry", t) }))
	case *pb.KitUsed:
		w.begin(say.Text("tale.kit_used", p.Count, wording.Enum(p.Item), w.place(p.Place)))
		w.and(w.patient(p.Case))
	case *pb.KitCounted:
		w.begin(say.Text("tale.kit_counted", p.Counted, wording.Enum(p.Item), w.place(p.Place)))
		if p.Counted != p.Expected {
			w.but(say.Text("tale.kit_expected", p.Expected))
		}
	default:
		return false
	}
	return true
}

// place names a place.
func (w *teller) place(id string) string { return w.b.Name(event.KindPlace, id) }

// batch names a product and a batch, but in the batch's own list.
func (w *teller) batch(product, batch string) string {
	if w.about == (event.Key{Kind: event.KindBatch, ID: event.BatchID(product, batch)}) {
		return ""
	}
	return say.Text("tale.batch", w.b.Name(event.KindProduct, product), batch)
}

func (w *teller) received(p *pb.BagsReceived) {
	w.title(say.Text("tale.received", p.Count, w.place(p.Place)))
	if event.Name(w.typ) == "opening_stock" {
		w.title(say.Text("tale.opening", p.Count, w.place(p.Place)))
	}
	b := w.b
	w.and(w.batch(p.Product, p.Batch), say.Text("tale.expiry", p.Expiry), say.Text("tale.each", b.Ml(p.VolumeMl)),
		maybe(p.IggCgPerL, func(v int32) string { return say.Text("tale.igg_of_plasma", b.Igg(v)) }),
		toldOf(p.Donor, func(id string) string { return say.Text("tale.donor", b.Name(event.KindDonor, id)) }),
		toldOf(p.Delivery, func(t string) string { return say.Text("tale.delivery", t) }),
		toldOf(p.Supplier, func(t string) string { return say.Text("tale.from", t) }))
	if p.CostMinor != nil {
		w.and(say.Text("tale.each", b.money(*p.CostMinor)))
	}
	if p.Arrived != pb.Arrival_ARRIVAL_UNSPECIFIED {
		w.and(say.Text("tale.arrived", wording.Enum(p.Arrived)))
	}
	w.and(maybe(p.ArrivedDc, func(v int32) string { return say.Text("tale.arrived_at", b.Celsius(v)) }),
		maybe(p.NotedCount, func(v int32) string { return say.Text("tale.noted_count", v) }))
	w.and(toldOf(p.Serial, func(t string) string { return say.Text("tale.serial", t) }))
	if p.Borrowed {
		w.and(say.Text("tale.borrowed"))
	}
	if p.SetAside {
		w.but(say.Text("tale.torn_quarantined"))
	}
	w.and(w.bags(p.Bags, true))
}

// torn tells a label that cannot be read: the books stand in, or nobody is sure.
func (w *teller) torn(p *pb.LabelUnreadable) {
	w.wrongly(say.Text("tale.torn"))
	w.and(w.bag(p.Bag), quoted(p.Text))
	if p.SetAside || p.BagAgain == "" {
		w.but(say.Text("tale.torn_quarantined"))
	} else {
		w.but(say.Text("tale.torn_confirmed"))
	}
	w.but(toldOf(p.SecondBy, func(t string) string { return say.Text("tale.second_look", t) }))
}

func (w *teller) carried(p *pb.BagsCarried) {
	w.begin(say.Text("tale.carried", p.Minutes, wording.Enum(p.Coolant)))
	w.and(say.Text("tale.came_out", wording.Enum(p.Feel)), maybe(p.BoxDc, func(v int32) string { return say.Text("tale.box_most", w.b.Celsius(v)) }),
		w.bags(p.Bags, false), w.patient(p.Case))
	if p.Feel == pb.BagFeel_BAG_FEEL_SOFT {
		w.but(say.Text("tale.soft"))
	}
}

// counted tells what a count of a place means for the bag whose list it is; elsewhere
// how many were seen.
func (w *teller) counted(p *pb.PlaceCounted) {
	if w.about.Kind == event.KindBag {
		if slices.Contains(p.BagsSeen, w.about.ID) {
			w.begin(say.Text("tale.seen_at_count", w.place(p.Place)))
		} else {
			w.wrongly(say.Text("tale.not_seen_at_count", w.place(p.Place)))
		}
		return
	}
	w.title(say.Text("tale.counted", w.place(p.Place), len(p.BagsSeen)))
	w.and(w.b.bagsWords(p.BagsSeen, false))
	if len(p.BagsNotSeen) > 0 {
		w.but(say.Text("tale.not_seen", w.b.bagsWords(p.BagsNotSeen, false)))
	}
}

func (w *teller) missing(p *pb.BagMissing) {
	w.wrongly(say.Text("tale.missing"))
	w.and(w.bag(p.Bag), toldOf(p.Place, func(id string) string { return say.Text("tale.should_be", w.place(id)) }), quoted(p.Reason))
}

func (w *teller) returned(p *pb.BagReturned) {
	if p.To == pb.ReturnTo_RETURN_TO_MAKER {
		w.title(say.Text("tale.to_maker"))
	} else {
		w.begin(say.Text("tale.put_back", wording.Enum(p.To)))
	}
	w.and(w.place(p.Place), maybe(p.KeptAtDc, w.b.Celsius), w.bag(p.Bag))
}

func (w *teller) warm(p *pb.PlaceWarm) {
	w.wrongly(say.Text("tale.warm", w.b.Clock(p.From.GetUnixMs())))
	if p.To != nil {
		w.wrongly(say.Text("tale.warm_until", w.b.Clock(p.From.GetUnixMs()), w.b.Clock(p.To.UnixMs)))
	}
	w.and(w.place(p.Place), maybe(p.MostDc, func(v int32) string { return say.Text("tale.most", w.b.Celsius(v)) }), quoted(p.Reason))
}
