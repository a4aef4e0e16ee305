package query_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/entry/entrytest"
	pb "thawtrail/proto/thawtrail/v1"
)

// A freezer of two products, read daily: one label allows -18 C, the other -10 C, and the
// place itself -15 C. What each day says is told here by hand.
func TestAFreezerDayByDay(t *testing.T) {
	d, place := coldPlace(t, &pb.PlaceAdded{Name: "cold store", Kind: pb.PlaceKind_PLACE_KIND_FREEZER, WarmestDc: proto.Int32(-150), ColdestDc: proto.Int32(-400), ReadEveryH: proto.Int32(24)})
	zone, err := time.LoadLocation("Australia/Sydney")
	require.NoError(t, err)
	began := d.Clock.Now().In(zone)
	read := func(day int, now int32, least, most *int32) {
		enter(d, seasonOwner, began.Add(time.Duration(day)*24*time.Hour), d.Entry(&pb.TemperatureRead{Place: place, NowDc: now, LeastDc: least, MostDc: most}))
	}
	d.Clock.Advance(7 * 24 * time.Hour)
	read(0, -225, nil, nil)
	read(1, -221, proto.Int32(-240), proto.Int32(-155)) // over the one label, within the other
	read(3, -230, proto.Int32(-410), proto.Int32(-219)) // a day is missed, then it was too cold
	read(4, -120, nil, nil)                             // over the label and the place
	out := freezerOf(d, &pb.GetPlaceRequest{Place: place, From: began.Format(time.DateOnly), To: began.Add(7 * 24 * time.Hour).Format(time.DateOnly)})
	var states []string
	for _, day := range out.Days {
		states = append(states, day.State)
	}
	require.Equal(t, []string{"ok", "warm", "missed", "cold", "warm", "missed", "missed", "later"}, states)
	require.Equal(t, int32(3), out.Missed)
	require.Equal(t, -24.0, *out.Days[1].LeastC)
	require.Equal(t, -15.5, *out.Days[1].MostC)
	require.True(t, out.Overdue)
	require.Equal(t, -18.0, *out.WarmestC, "the strictest label is stricter than the place")
	require.Len(t, out.Readings, 4)

	require.Len(t, out.Warm, 2)
	first, second := out.Warm[0], out.Warm[1]
	require.Equal(t, int32(24*60), first.AtMostMin, "from one good reading to the next")
	require.Equal(t, -15.5, first.MostC)
	require.Equal(t, int32(5), first.Bags)
	require.Equal(t, []string{"Cold plasma"}, products(first.Over))
	require.Equal(t, int32(2), first.Over[0].Bags)
	require.Equal(t, []string{"Hardy plasma"}, products(first.Within))
	require.Equal(t, int32(3), first.Within[0].Bags)
	require.Empty(t, second.To, "it is still too warm")
	require.Equal(t, int32(4*24*60), second.AtMostMin, "from the good reading of day 3 until now, day 7")

	// What a person enters is asked for no more; what was read to be warm after it is.
	moment := func(day int) *pb.Moment {
		return &pb.Moment{UnixMs: began.Add(time.Duration(day) * 24 * time.Hour).UnixMilli()}
	}
	d.Must(&pb.PlaceWarm{Place: place, From: moment(0), To: moment(1), Reason: "lid open"})
	d.Must(&pb.PlaceWarm{Place: place, From: moment(3), To: &pb.Moment{UnixMs: began.Add(80 * time.Hour).UnixMilli()}, Reason: "power cut"})
	out = freezerOf(d, &pb.GetPlaceRequest{Place: place})
	require.Len(t, out.Warm, 1, "the second was read to be warm after what was told")
	require.Len(t, out.Days, 31)
}

// A place without a limit and a schedule says nothing of warm times and missed days; a span
// of more than a year is refused.
func TestAPlaceWithoutLimits(t *testing.T) {
	d := entrytest.Named(t, "laptop", 20)
	d.Must(&pb.PracticeFounded{Name: "Alder Creek Equine", Zone: "Australia/Sydney", Currency: "AUD", OwnerName: seasonOwner})
	place := d.Must(&pb.PlaceAdded{Name: "shelf", Kind: pb.PlaceKind_PLACE_KIND_SHELF}).Made[0]
	d.Must(&pb.TemperatureRead{Place: place, NowDc: 210})
	out := freezerOf(d, &pb.GetPlaceRequest{Place: "shelf"})
	require.Empty(t, out.Warm)
	require.Zero(t, out.Missed)
	require.Nil(t, out.WarmestC)
	require.False(t, out.Overdue)
	require.Equal(t, "none", out.Days[0].State)
	_, err := d.GetPlace(t.Context(), &pb.GetPlaceRequest{Place: "shelf", From: "2024-01-01", To: "2026-01-01"})
	require.ErrorContains(t, err, "a year")
}

// coldPlace is a laptop with a place in which two bags lie whose label allows -18 C, and
// three whose label allows -10 C.
func coldPlace(t *testing.T, p *pb.PlaceAdded) (d *entrytest.Laptop, place string) {
	d = entrytest.Named(t, "laptop", 20)
	d.Must(&pb.PracticeFounded{Name: "Alder Creek Equine", Zone: "Australia/Sydney", Currency: "AUD", OwnerName: seasonOwner})
	place = d.Must(p).Made[0]
	for name, bags := range map[string]int32{"Cold plasma": 2, "Hardy plasma": 3} {
		most := map[string]int32{"Cold plasma": -180, "Hardy plasma": -100}[name]
		d.Must(&pb.ProductCard{Name: name, Maker: "Wattle Biologics", Route: pb.ProductRoute_PRODUCT_ROUTE_VEIN, Species: "horse", StorageMaxDc: &most, CheckedBy: "J. Reed"})
		d.Must(&pb.BagsReceived{Product: name, Batch: "K-1", Expiry: "2029-01", VolumeMl: 950, Count: bags, Place: place})
	}
	return d, place
}

func freezerOf(d *entrytest.Laptop, req *pb.GetPlaceRequest) *pb.GetPlaceResponse {
	out, err := d.GetPlace(d.T.Context(), req)
	require.NoError(d.T, err)
	return out
}

func products(in []*pb.LabelLimit) (out []string) {
	for _, l := range in {
		out = append(out, l.Product)
	}
	return out
}
