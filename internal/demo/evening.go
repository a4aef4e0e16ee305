package demo

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/demo/wire"
	"thawtrail/internal/label"
	pb "thawtrail/proto/thawtrail/v1"
)

// How long before the end of the night the scenes begin, in minutes.
const (
	foundedAt  = -8 * 24 * 60
	deliveryAt = -6 * 24 * 60
	loadedAt   = -370
	laptopsAt  = -345
	cutAt      = -325
	southAt    = -310
	northAt    = -159
	holdAt     = -120
)

const bagMl = 950

func (n *night) prologue() {
	if n.err != nil {
		return
	}
	s := n.screen
	fmt.Fprintln(s.w, "An invented foaling night, played with the real program.")
	s.gap()
	s.tell("Alder Creek Equine lies where it is " + n.end.In(s.zone).Format("15:04") + " in the morning now (" + s.name + "). " +
		"Its server and the laptops of two vehicles are three processes on this machine, each with a store of its own. " +
		"The hours are told: each entry carries the time at which it happened. The network between them is really cut, " +
		"one laptop is really killed, and what is measured is measured.")
}

// found begins the practice on the server.
func (n *night) found() {
	n.screen.heading(n.ctx, "Clinic", "the practice begins, eight days ago")
	c := n.clinic
	if n.fail(c.begin(n.ctx, n.cfg.Program, n.dir, n.zone)); n.err != nil {
		return
	}
	if n.fail(c.open(n.ctx, n.cfg.Program, n.dir)); n.err != nil {
		return
	}
	n.say(step{c, owner, foundedAt, "founds Alder Creek Equine; its server's disk is encrypted, and only laptops that it lets in get through"})
	for _, p := range []struct {
		name string
		role pb.Role
		word string
	}{
		{clinician, pb.Role_ROLE_CLINIC, "clinic"}, {northVet, pb.Role_ROLE_VET, "vet"},
		{southVet, pb.Role_ROLE_VET, "vet"}, {assistant, pb.Role_ROLE_ASSISTANT, "assistant"},
	} {
		id := n.only(n.write(step{c, owner, foundedAt, ""}, &pb.Entry{Body: &pb.Entry_PersonAdded{PersonAdded: &pb.PersonAdded{Name: p.name}}}))
		n.write(step{c, owner, foundedAt, p.name + " joins; role: " + p.word}, &pb.Entry{Body: &pb.Entry_RoleGranted{
			RoleGranted: &pb.RoleGranted{Person: id, Roles: []pb.Role{p.role}},
		}})
	}
	n.places()
	n.products()
	n.client = n.only(n.write(step{c, clinician, foundedAt, "notes a client; name and telephone are sealed"}, &pb.Entry{Body: &pb.Entry_ClientAdded{
		ClientAdded: &pb.ClientAdded{Name: &pb.Sealed{Plain: "P. Hollis"}, Telephone: &pb.Sealed{Plain: "0491 570 156"}},
	}}))
}

func (n *night) places() {
	for _, v := range []string{"north vehicle", "south vehicle"} {
		n.write(step{n.clinic, clinician, foundedAt, ""}, &pb.Entry{Body: &pb.Entry_VehicleAdded{VehicleAdded: &pb.VehicleAdded{Name: v}}})
	}
	for _, p := range []struct {
		name, vehicle string
		kind          pb.PlaceKind
	}{
		{"clinic freezer", "", pb.PlaceKind_PLACE_KIND_FREEZER}, {"clinic fridge", "", pb.PlaceKind_PLACE_KIND_FRIDGE},
		{"north freezer", "north vehicle", pb.PlaceKind_PLACE_KIND_VEHICLE_FREEZER},
		{"south freezer", "south vehicle", pb.PlaceKind_PLACE_KIND_VEHICLE_FREEZER},
	} {
		n.write(step{n.clinic, clinician, foundedAt, ""}, &pb.Entry{Body: &pb.Entry_PlaceAdded{
			PlaceAdded: &pb.PlaceAdded{Name: p.name, Kind: p.kind, Vehicle: p.vehicle},
		}})
	}
	n.say(step{n.clinic, clinician, foundedAt, "names two vehicles, each with a freezer, and the clinic's freezer and fridge"})
}

func (n *night) products() {
	n.write(step{n.clinic, clinician, foundedAt, "enters the label of " + veinProduct + ", by vein"}, &pb.Entry{Body: &pb.Entry_ProductCard{
		ProductCard: &pb.ProductCard{
			Name: veinProduct, Maker: "Wattle Biologics", SupportTelephone: "1800 975 711", Species: "horse",
			Route: pb.ProductRoute_PRODUCT_ROUTE_VEIN, VolumeMl: proto.Int32(bagMl), LeastIggCgPerL: proto.Int32(1800),
			Storage: "Store frozen below -18 C.", StorageMaxDc: proto.Int32(-180), ThawMaxDc: proto.Int32(370),
			Thaw: "Thaw in water of at most 37 C.", CheckedBy: northVet,
		},
	}})
	n.write(step{n.clinic, clinician, foundedAt, "enters the label of " + mouthProduct + ", by mouth"}, &pb.Entry{Body: &pb.Entry_ProductCard{
		ProductCard: &pb.ProductCard{
			Name: mouthProduct, Maker: "Wattle Biologics", SupportTelephone: "1800 975 711", Species: "horse",
			Route: pb.ProductRoute_PRODUCT_ROUTE_MOUTH, VolumeMl: proto.Int32(bagMl), CheckedBy: northVet,
		},
	}})
}

// stockUp takes in the deliveries and loads the vehicles.
func (n *night) stockUp() {
	n.screen.heading(n.ctx, "Clinic", "deliveries, and the vehicles are loaded")
	year := n.end.Year()
	n.receive(veinProduct, heldBatch, fmt.Sprintf("%d-04", year+1), 4, 2000)
	n.receive(veinProduct, otherBatch, fmt.Sprintf("%d-11", year+1), 6, 2100)
	n.receive(mouthProduct, mouthBatch, fmt.Sprintf("%d-02", year+1), 2, 0)
	n.load(n.north, n.some(heldBatch, 0, 2), n.some(otherBatch, 0, 1), n.some(mouthBatch, 0, 1))
	n.load(n.south, n.some(otherBatch, 1, 3))
	for _, v := range []*site{n.north, n.south} {
		for _, k := range []struct {
			item  pb.KitItem
			count int32
		}{
			{pb.KitItem_KIT_ITEM_FILTERED_SET, 4}, {pb.KitItem_KIT_ITEM_CATHETER_16G, 4},
			{pb.KitItem_KIT_ITEM_IGG_TEST, 5}, {pb.KitItem_KIT_ITEM_ADRENALINE, 2},
		} {
			n.write(step{n.clinic, assistant, loadedAt, ""}, &pb.Entry{Body: &pb.Entry_KitStocked{
				KitStocked: &pb.KitStocked{Place: v.place, Item: k.item, Count: k.count},
			}})
		}
	}
	n.say(step{n.clinic, assistant, loadedAt, "stocks each vehicle: 4 filtered sets, 4 catheters, 5 IgG tests, 2 adrenaline"})
	n.temperature("clinic freezer", -242)
	n.temperature("north freezer", -195)
	n.temperature("south freezer", -188)
	n.say(step{n.clinic, assistant, loadedAt, "reads the freezers: clinic -24.2 C, north -19.5 C, south -18.8 C"})
}

func (n *night) receive(product, batch, expiry string, count int32, iggCgPerL int32) {
	in := &pb.BagsReceived{
		Product: product, Batch: batch, Expiry: expiry, VolumeMl: bagMl, Count: count, Place: "clinic freezer",
		Supplier: "Wattle Biologics", Delivery: "D-" + batch, CostMinor: proto.Int64(31000),
	}
	text := fmt.Sprintf("takes in %d bags of %s, batch %s, %d mL, use by %s", count, product, batch, bagMl, expiry)
	if iggCgPerL != 0 {
		in.IggCgPerL = proto.Int32(iggCgPerL)
		text += fmt.Sprintf(", IgG %d g/L", iggCgPerL/100)
	}
	n.bags[batch] = n.write(step{n.clinic, clinician, deliveryAt, text}, &pb.Entry{Body: &pb.Entry_BagsReceived{BagsReceived: in}})
	if n.err == nil && len(n.bags[batch]) != int(count) {
		n.fail(fmt.Errorf("%d bag numbers of batch %s expected, got %d", count, batch, len(n.bags[batch])))
		return
	}
	if n.err == nil {
		n.screen.note("numbered " + bagText(n.bags[batch][0]) + fmt.Sprintf(" and %d more", count-1))
	}
}

// some are bags of a batch by their place in the delivery.
func (n *night) some(batch string, from, to int) []string {
	if n.err != nil {
		return nil
	}
	return n.bags[batch][from:to]
}

func (n *night) load(to *site, groups ...[]string) {
	var bags []string
	for _, g := range groups {
		bags = append(bags, g...)
	}
	n.write(step{n.clinic, assistant, loadedAt, fmt.Sprintf("loads %d bags into the %s", len(bags), to.place)}, &pb.Entry{Body: &pb.Entry_BagsMoved{
		BagsMoved: &pb.BagsMoved{Bags: bags, ToPlace: to.place},
	}})
}

func (n *night) temperature(place string, dc int32) {
	n.write(step{n.clinic, assistant, loadedAt, ""}, &pb.Entry{Body: &pb.Entry_TemperatureRead{
		TemperatureRead: &pb.TemperatureRead{Place: place, NowDc: dc},
	}})
}

// laptops starts both agents and lets them take what they lack.
func (n *night) laptops() {
	n.screen.heading(n.ctx, "Vehicles", "the laptops come up")
	for _, s := range []*site{n.north, n.south} {
		var err error
		if s.wire, err = wire.New(n.clinic.proc.address); err != nil {
			n.fail(err)
			return
		}
		code := n.join(s)
		if n.fail(s.open(n.ctx, n.cfg.Program, n.dir)); n.err != nil {
			return
		}
		n.say(step{s, n.vetOf(s), laptopsAt, "joins with the one-time code " + code})
	}
	n.settle()
	for _, s := range []*site{n.north, n.south} {
		n.say(step{s, "laptop", laptopsAt, "has what the clinic has: " + n.stockText(s, s.place)})
	}
	n.stand(n.north, laptopsAt)
	n.stand(n.south, laptopsAt)
}

func (n *night) vetOf(s *site) string {
	if s == n.north {
		return northVet
	}
	return southVet
}

// join lets a laptop into the practice by a one-time code.
func (n *night) join(s *site) (code string) {
	if n.err != nil {
		return ""
	}
	code, err := s.join(n.ctx, n.cfg.Program, n.dir, n.clinic, n.vetOf(s))
	n.fail(err)
	return code
}

// stockText says in a few words what lies at a place, as this site knows it.
func (n *night) stockText(s *site, place string) string {
	answer := ask(n, s, s.stock.ListStock, &pb.ListStockRequest{Place: place})
	counts := map[string]int{}
	var order []string
	for _, b := range answer.GetBags() {
		if counts[b.Batch] == 0 {
			order = append(order, b.Batch)
		}
		counts[b.Batch]++
	}
	text := fmt.Sprintf("in the %s lie ", place)
	for i, batch := range order {
		if i > 0 {
			text += ", "
		}
		text += fmt.Sprintf("%d of %s", counts[batch], batch)
	}
	return text
}

// cut breaks the wires and waits until both laptops have noticed.
func (n *night) cut() {
	n.screen.heading(n.ctx, "Vehicles", "no signal")
	n.north.wire.Cut()
	n.south.wire.Cut()
	for _, s := range []*site{n.north, n.south} {
		n.until("the "+s.name+" laptop notices that its link is cut", func() bool {
			return ask(n, s, s.audit.GetStatus, &pb.GetStatusRequest{}).GetLink() != "connected"
		})
		n.stand(s, cutAt)
	}
	if n.err == nil {
		n.screen.note("(How long ago is told by the real clock: the night's hours pass in seconds here.)")
	}
}

// stand tells how a site stands: its link, how far its own entries have come,
// what holds it knows of, and how old that is.
func (n *night) stand(s *site, when int) {
	st := ask(n, s, s.audit.GetStatus, &pb.GetStatusRequest{})
	held := ask(n, s, s.stock.ListBatches, &pb.ListBatchesRequest{Held: true})
	if n.err != nil {
		return
	}
	link := "link up"
	if st.Link != "connected" {
		link = "no link"
	}
	holds := "no hold is known here"
	for _, b := range held.Batches {
		holds = "batch " + b.Batch + " is ON HOLD here"
	}
	n.say(step{s, "laptop", when, fmt.Sprintf("%s; %s. %s", link, holds, st.Freshness.GetText())})
	n.screen.note(fmt.Sprintf("own records: %d saved here only, %d sent, %d held on the clinic's server", st.SavedHere, st.Sent, st.HeldOnServer))
}

// patience bounds every wait for the other processes.
const patience = 90 * time.Second

// until waits for something to come true.
func (n *night) until(what string, true func() bool) {
	deadline := n.cfg.Clock.Monotonic() + patience
	for n.err == nil && !true() {
		if n.cfg.Clock.Monotonic() > deadline {
			n.fail(fmt.Errorf("waited %s in vain until %s", patience, what))
		}
		select {
		case <-n.ctx.Done():
			n.fail(n.ctx.Err())
		case <-time.After(10 * time.Millisecond):
		}
	}
}

func bagText(id string) string { return label.BagNumber(id).String() }
