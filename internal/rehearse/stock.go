package rehearse

import (
	"context"
	"fmt"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/say"
	pb "thawtrail/proto/thawtrail/v1"
)

// People of the rehearsal, all invented.
const (
	owner     = "M. Alder"
	clinician = "T. Moss"
	vet       = "R. Vale"
)

const (
	product = "Foal plasma"
	car     = "car freezer"
	bagMl   = 950
)

// batches of the car; the first expires first, so that it is the one offered.
var batches = []struct {
	name, expiry string
	iggCgPerL    int32
}{{"R1101", "-04", 2000}, {"R1102", "-11", 2100}}

// write enters one thing at the clinic.
func (a *act) write(ctx context.Context, author string, body *pb.Entry) (made []string, err error) {
	out, err := pb.NewRecordServiceClient(a.hub).Write(ctx, &pb.WriteRequest{Entry: body, Author: author})
	return out.GetMade(), err
}

// stock fills the books of the clinic before the night: people, a car with bags and
// kit, a label, and a reaction card on which no real drug stands.
func (a *act) stock(ctx context.Context) error {
	for _, p := range []struct {
		name string
		role pb.Role
	}{{clinician, pb.Role_ROLE_CLINIC}, {vet, pb.Role_ROLE_VET}} {
		made, err := a.write(ctx, owner, &pb.Entry{Body: &pb.Entry_PersonAdded{PersonAdded: &pb.PersonAdded{Name: p.name}}})
		if err != nil {
			return err
		}
		grant := &pb.RoleGranted{Person: made[0], Roles: []pb.Role{p.role}}
		if _, err := a.write(ctx, owner, &pb.Entry{Body: &pb.Entry_RoleGranted{RoleGranted: grant}}); err != nil {
			return err
		}
	}
	for _, body := range a.goods() {
		if _, err := a.write(ctx, clinician, body); err != nil {
			return err
		}
	}
	_, err := a.write(ctx, vet, &pb.Entry{Body: &pb.Entry_ProtocolSet{ProtocolSet: &pb.ProtocolSet{
		Name: "newborn foal", ReactionCard: say.Text("rehearsal.card_clamp") + "\n" + say.Text("rehearsal.card_drug") + " | 0.01 mg/kg | 1 mg/mL | vein | ", CheckedBy: owner,
	}}})
	return err
}

// goods are the entries by which the car is stocked.
func (a *act) goods() []*pb.Entry {
	out := []*pb.Entry{
		{Body: &pb.Entry_VehicleAdded{VehicleAdded: &pb.VehicleAdded{Name: "car"}}},
		{Body: &pb.Entry_PlaceAdded{PlaceAdded: &pb.PlaceAdded{Name: "clinic freezer", Kind: pb.PlaceKind_PLACE_KIND_FREEZER}}},
		{Body: &pb.Entry_PlaceAdded{PlaceAdded: &pb.PlaceAdded{Name: car, Kind: pb.PlaceKind_PLACE_KIND_VEHICLE_FREEZER, Vehicle: "car"}}},
		{Body: &pb.Entry_ProductCard{ProductCard: &pb.ProductCard{
			Name: product, Maker: say.Text("rehearsal.maker"), Species: "horse", Route: pb.ProductRoute_PRODUCT_ROUTE_VEIN,
			VolumeMl: proto.Int32(bagMl), LeastIggCgPerL: proto.Int32(1800), Storage: "Store frozen below -18 C.",
			StorageMaxDc: proto.Int32(-180), ThawMaxDc: proto.Int32(370), Thaw: "Thaw in water of at most 37 C.", CheckedBy: vet,
		}}},
		{Body: &pb.Entry_TemperatureRead{TemperatureRead: &pb.TemperatureRead{Place: car, NowDc: -195}}},
	}
	for _, b := range batches {
		out = append(out, &pb.Entry{Body: &pb.Entry_BagsReceived{BagsReceived: &pb.BagsReceived{
			Product: product, Batch: b.name, Expiry: fmt.Sprintf("%d%s", a.clock.Now().Year()+1, b.expiry), VolumeMl: bagMl, Count: 3, Place: car,
			Supplier: say.Text("rehearsal.maker"), IggCgPerL: proto.Int32(b.iggCgPerL), CostMinor: proto.Int64(31000),
		}}})
	}
	for _, item := range []pb.KitItem{pb.KitItem_KIT_ITEM_FILTERED_SET, pb.KitItem_KIT_ITEM_CATHETER_16G, pb.KitItem_KIT_ITEM_IGG_TEST} {
		out = append(out, &pb.Entry{Body: &pb.Entry_KitStocked{KitStocked: &pb.KitStocked{Place: car, Item: item, Count: 4}}})
	}
	return out
}
