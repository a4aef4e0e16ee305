package query_test

import (
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/entry/entrytest"
	pb "thawtrail/proto/thawtrail/v1"
)

// levelsOf asks what bags to hold.
func levelsOf(d *entrytest.Laptop, req *pb.ListLevelsRequest) *pb.ListLevelsResponse {
	d.T.Helper()
	out, err := d.ListLevels(d.T.Context(), req)
	require.NoError(d.T, err)
	return out
}

// below is the standard normal distribution function.
func below(z float64) float64 { return math.Erfc(-z/math.Sqrt2) / 2 }

// The days on which mares are expected, and how likely they foal in a week, against a
// normal distribution written out here. 'Today' is 25 November 2026 in Sydney.
func TestLevelsOfMaresDue(t *testing.T) {
	d := entrytest.New(t)
	d.Begin()
	d.Must(&pb.MareDue{Name: "Plain", ServedOn: "2026-01-01", Breed: "Thoroughbred"}) // 344.1 days: 11 December
	d.Must(&pb.MareDue{Name: "Told", DueOn: "2026-11-30", ServedOn: "2026-01-01"})    // the day told counts
	d.Must(&pb.MareDue{Name: "Over", DueOn: "2026-10-01"})
	d.Must(&pb.MareDue{Name: "Quiet Harbour", DueOn: "2026-11-24"})
	d.Must(&pb.MareDue{Name: "Sold", DueOn: "2026-11-30"})
	d.Must(&pb.MareDue{Name: "Sold", NoLonger: pb.MareEnd_MARE_END_ELSEWHERE})
	id := d.Foal() // of Quiet Harbour

	out := levelsOf(d, &pb.ListLevelsRequest{Weeks: 3})
	state := map[string]string{}
	for _, m := range out.Mares {
		state[m.Name] = m.State + " " + m.DueOn + " " + m.Case
	}
	require.Equal(t, map[string]string{
		"Plain": "awaited 2026-12-11 ", "Told": "awaited 2026-11-30 ", "Over": "overdue 2026-10-01 ", "Quiet Harbour": "foaled 2026-11-24 " + id,
	}, state)

	within := func(due, from, to float64) float64 {
		left := 1 - below((0-due)/10.2)
		return (below((to-due)/10.2) - below((from-due)/10.2)) / left
	}
	// 1 January to 25 November 2026 is 328 days.
	for w, week := range out.Weeks {
		from, to := float64(7*w), float64(7*w+7)
		told, plain := within(5, from, to), within(344.1-328, from, to)
		require.InDelta(t, told+plain, week.FoalsExpected, 1e-9, "week %d", w)
		sum := 0.0
		for _, p := range week.Chance {
			sum += p
		}
		require.InDelta(t, 1, sum, 1e-9)
	}
	require.Equal(t, "Told", out.Weeks[0].Mares[0].Name)
	require.InDelta(t, within(5, 0, 7), out.Weeks[0].Mares[0].Chance, 1e-9)
	require.Equal(t, []string{"2026-11-25", "2026-12-01"}, []string{out.Weeks[0].From, out.Weeks[0].To})
	require.Contains(t, out.Text, "the practice decides")
}

// The practice's own tests move the published share by as much as they weigh, and a mare
// that two laptops entered under two marks is one.
func TestLevelsCountTheOwnTests(t *testing.T) {
	d := entrytest.New(t)
	d.Begin()
	d.Must(&pb.MareDue{Name: "Told", DueOn: "2026-11-30"})
	d.Must(&pb.MareDue{Name: "TOLD", DueOn: "2026-11-30", Chip: "982000123456789"})
	before := levelsOf(d, &pb.ListLevelsRequest{})
	require.Len(t, before.Mares, 1)
	require.Zero(t, before.Failure.Tested)
	bags := d.Must(&pb.BagsReceived{Product: "foal plasma", Batch: "K-11", Expiry: "2028-03", VolumeMl: 950, Count: 4, Place: "north car", IggCgPerL: proto.Int32(2000)}).Made
	for n, igg := range []int32{350, 390, 400, 900} {
		typeNight(d, n, bags[n], foalNight{before: proto.Int32(igg), after: proto.Int32(900)})
	}
	after := levelsOf(d, &pb.ListLevelsRequest{})
	f := after.Failure
	require.Equal(t, []int32{4, 4, 2}, []int32{f.UnderGPerL, f.Tested, f.Under}, "400 mg/dL is not under 4 g/L")
	prior := before.Failure.PrintWeight
	require.InDelta(t, (before.Failure.Mid*prior+2)/(prior+4), f.Mid, 1e-9)
	require.Equal(t, []int32{0, 4, 0}, after.Use.FoalsByBags)
	require.InDeltaSlice(t, []float64{0, (4 + 2) / 8.0, 2 / 8.0}, after.Use.BagsPerFoal, 1e-12)
	require.Zero(t, after.Use.OtherBags, "the foals are reckoned from mares")

	d.Must(&pb.MareDue{Name: "Told", NoLonger: pb.MareEnd_MARE_END_FOALED})
	d.Must(&pb.MareDue{Name: "Told", Chip: "982000123456789", NoLonger: pb.MareEnd_MARE_END_FOALED})
	none := levelsOf(d, &pb.ListLevelsRequest{})
	require.True(t, none.Use.AllPatients)
	require.Equal(t, int32(4), none.Use.OtherBags)
	require.InDelta(t, 1.0, none.Use.OtherBagsAWeek, 1e-9, "4 bags in the 4 weeks that are looked back over at least")
	poisson := math.Exp(-1)
	require.InDelta(t, poisson, none.Weeks[0].Chance[0], 1e-9)
	require.InDelta(t, poisson/2, none.Weeks[0].Chance[2], 1e-9)
	// 1 bag a week and 2 weeks until an order comes: Poisson of mean 2. A bag kept as long
	// as it takes to come is the newsvendor: ratios .8, .9, .95 give 3, 4, 5.
	for short, hold := range map[int32]int32{4: 3, 9: 4, 19: 5} {
		got := levelsOf(d, &pb.ListLevelsRequest{LeadWeeks: 2, ShelfWeeks: 2, ShortageBags: short})
		require.Equal(t, hold, got.Hold, "a bag short costs %d", short)
		require.InDelta(t, float64(short)/float64(short+1), got.Service, 1e-12)
	}
}

// What is ordered counts until it arrived or was cancelled.
func TestLevelsCountOrders(t *testing.T) {
	d := entrytest.New(t)
	d.Begin()
	order := d.Must(&pb.BagsOrdered{Product: "foal plasma", Count: 6, Supplier: "Wattle Biologics"}).Made[0]
	out := levelsOf(d, &pb.ListLevelsRequest{})
	require.Equal(t, int32(6), out.Ordered)
	require.Equal(t, order, out.Orders[0].Order)
	field, _ := d.Refused(&pb.BagsOrdered{Ended: pb.OrderEnd_ORDER_END_ARRIVED})
	require.Equal(t, "order", field)
	field, _ = d.Refused(&pb.BagsOrdered{Product: "foal plasma"})
	require.Equal(t, "count", field)
	d.Must(&pb.BagsOrdered{Order: order[:6], Ended: pb.OrderEnd_ORDER_END_ARRIVED})
	require.Zero(t, levelsOf(d, &pb.ListLevelsRequest{}).Ordered)
}

// Bags are shared over cars by where they are wanted, and moves make the stock what it
// should be: what is carried comes to what should be held.
func TestLevelsShareBagsOverCars(t *testing.T) {
	s := newSeason(t, 1)
	l := s.laptops[0]
	l.Clock.SetWall(time.Date(2026, 11, 25, 9, 0, 0, 0, s.zone()))
	store := enter(l, seasonOwner, l.Clock.Now(), l.Entry(&pb.PlaceAdded{Name: "store", Kind: pb.PlaceKind_PLACE_KIND_FREEZER}))
	require.Len(t, store.Made, 1)
	enter(l, "A. Fenn", l.Clock.Now(), l.Entry(&pb.BagsReceived{Product: "Foal plasma", Batch: "K-1", Expiry: "2027-01-20", VolumeMl: 950, Count: 9, Place: "store"}))
	enter(l, "A. Fenn", l.Clock.Now(), l.Entry(&pb.BagsReceived{Product: "Foal plasma", Batch: "K-2", Expiry: "2029-01", VolumeMl: 950, Count: 3, Place: "south car"}))
	for n := range 30 {
		enter(l, "A. Fenn", l.Clock.Now(), l.Entry(&pb.MareDue{Name: fmt.Sprintf("Mare %d", n), DueOn: "2026-11-27", Place: "north car"}))
	}
	out := levelsOf(l, &pb.ListLevelsRequest{})
	has, hold := map[string]int32{}, map[string]int32{}
	bags, total := int32(0), int32(0)
	for _, p := range out.Places {
		has[p.Place], hold[p.Place] = p.Has, p.Hold
		bags, total = bags+p.Has, total+p.Hold
	}
	require.Equal(t, int32(12), bags)
	require.Equal(t, bags, total, "what is shared is what there is")
	require.Greater(t, hold["north car"], hold["south car"], "the mares are the north car's")
	for _, m := range out.Moves {
		has[m.From] -= int32(len(m.Bags))
		has[m.To] += int32(len(m.Bags))
		enter(l, "A. Fenn", l.Clock.Now(), l.Entry(&pb.BagsMoved{Bags: m.Bags, ToPlace: m.ToId}))
	}
	require.Equal(t, hold, has)
	require.Empty(t, levelsOf(l, &pb.ListLevelsRequest{}).Moves, "a move that was made is asked for no more")
	require.Positive(t, out.ExpectedWriteOff, "9 bags of 12 can be used for eight weeks only")
	require.Equal(t, int32(9), out.Weeks[8].BagsExpiring, "20 January is 56 days on")
}

// The same happenings typed on one laptop and spread over three give the same figures.
func TestLevelsDoNotHangOnWhoTyped(t *testing.T) {
	play := func(laptops int) *pb.ListLevelsResponse {
		s := newSeason(t, 1)
		n := 0
		say := func(m proto.Message) []string {
			l := s.laptops[n%laptops]
			n++
			made := enter(l, "A. Fenn", time.Date(2027, 1, 20, 9, n, 0, 0, s.zone()), l.Entry(m)).Made
			s.exchange()
			return made
		}
		bags := say(&pb.BagsReceived{Product: "Foal plasma", Batch: "K-1", Expiry: "2029-01", VolumeMl: 950, Count: 6, Place: "clinic"})
		say(&pb.BagsMoved{Bags: bags[:3], ToPlace: "north car"})
		for i := range 6 {
			say(&pb.MareDue{Name: fmt.Sprintf("Mare %d", i), DueOn: fmt.Sprintf("2027-02-%02d", 3+3*i)})
		}
		say(&pb.MareDue{Name: "Mare 5", NoLonger: pb.MareEnd_MARE_END_LOST})
		foal := say(&pb.CaseOpened{Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: "Mare 0", Sex: pb.Sex_SEX_FILLY, Colour: "bay", Markings: "none", ClockChecked: true,
			BornAt: &pb.Moment{UnixMs: time.Date(2027, 1, 19, 9, 0, 0, 0, s.zone()).UnixMilli()}})[0]
		say(&pb.IggTested{Case: foal, Kind: "radial immunodiffusion", IggCgPerL: proto.Int32(310)})
		say(&pb.TransfusionStarted{Bag: bags[0], Case: foal})
		say(&pb.TransfusionEnded{Bag: bags[0], Case: foal, GivenMl: 900})
		out := levelsOf(s.laptops[2], &pb.ListLevelsRequest{})
		for _, same := range s.laptops[:2] {
			require.True(t, proto.Equal(levelFigures(out), levelFigures(levelsOf(same, &pb.ListLevelsRequest{}))), "laptops differ")
		}
		return out
	}
	one, three := play(1), play(3)
	require.Equal(t, int32(1), one.Failure.Under)
	require.Equal(t, int32(5), one.Has)
	require.True(t, proto.Equal(levelFigures(one), levelFigures(three)), "%v\n%v", one, three)
}

// levelFigures are an answer without the ids that each book draws anew.
func levelFigures(in *pb.ListLevelsResponse) *pb.ListLevelsResponse {
	out := proto.CloneOf(in)
	out.Freshness, out.Failure.CasesUnder, out.Use.OtherCases = nil, nil, nil
	for _, m := range out.Mares {
		m.Case = ""
	}
	for _, p := range out.Places {
		p.PlaceId = ""
	}
	for _, m := range out.Moves {
		m.Bags, m.ToId = make([]string, len(m.Bags)), ""
	}
	return out
}
