package entry_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/event"
	pb "thawtrail/proto/thawtrail/v1"
)

const year = 365 * 24 * time.Hour

// off sets a laptop's clock wrong and lets it measure that against the clinic's.
func off(d *entrytest.Laptop, by time.Duration) {
	now := d.Clock.Now()
	d.Clock.SetWall(now.Add(by))
	d.Replica.Store.SetClockOffset(&pb.ClockOffset{
		OffsetUs: -by.Microseconds(), BoundUs: 20_000, MeasuredUs: now.Add(by).UnixMicro(),
	})
}

// expired receives a bag whose label ended half a year before the night.
func expired(d *entrytest.Laptop) (bag, id string) {
	d.Begin()
	d.Must(&pb.PlaceAdded{Name: "old shelf", Kind: pb.PlaceKind_PLACE_KIND_FREEZER})
	bag = d.Must(&pb.BagsReceived{Product: "foal plasma", Batch: "E-1", Expiry: "2026-05", VolumeMl: 950, Count: 1, Place: "old shelf"}).Made[0]
	return bag, d.Foal()
}

// A laptop that measured its clock a year behind judges bags by the clinic's time:
// an expired bag is never chosen, and check, thaw and start say so, with the clock.
func TestAClockAYearBehind(t *testing.T) {
	d := entrytest.New(t)
	bag, id := expired(d)
	off(d, -year)

	stock, err := d.ListStock(t.Context(), &pb.ListStockRequest{Place: "old shelf"})
	require.NoError(t, err)
	require.Equal(t, "expired", stock.Bags[0].State)
	chosen, err := d.ChooseBags(t.Context(), &pb.ChooseBagsRequest{Case: id, NeedMl: 950, Place: "old shelf"})
	require.NoError(t, err)
	require.Empty(t, chosen.Bags, "an expired bag is not offered")
	require.Equal(t, "clock_off", chosen.Cautions[0].Code)
	require.Contains(t, chosen.Cautions[0].Text, "365 days behind")

	for _, entry := range []proto.Message{
		&pb.BathChecked{Bag: bag, Case: id},
		&pb.ThawStarted{Bag: bag, Case: id},
		&pb.HangChecked{Bag: bag, Case: id},
	} {
		out := d.Must(entry)
		require.Equal(t, "clock_off", out.Cautions[0].Code, "%T", entry)
		require.Contains(t, codesOf(out), "bag_not_fit", "%T", entry)
	}
	start := d.Entry(&pb.TransfusionStarted{Bag: bag, Case: id})
	_, err = d.Write(t.Context(), &pb.WriteRequest{Entry: start})
	require.ErrorContains(t, err, "expired", "a planned start of an expired bag is stopped until there is a reason")
	out, err := d.Write(t.Context(), &pb.WriteRequest{Entry: start, Overrides: []*pb.Override{
		{Code: "start_check_open", Reason: "at the stall"}, {Code: "start_not_thawed", Reason: "at the stall"}, {Code: "start_bag_not_fit", Reason: "no other bag"},
	}})
	require.NoError(t, err)
	require.Contains(t, codesOf(out), "clock_off")
	now, err := d.GetNow(t.Context(), &pb.GetNowRequest{})
	require.NoError(t, err)
	require.Equal(t, "clock_off", now.Cautions[0].Code)
	status, err := d.GetStatus(t.Context(), &pb.GetStatusRequest{})
	require.NoError(t, err)
	require.Equal(t, "clock_off", status.Cautions[0].Code)
	require.Equal(t, year.Milliseconds(), status.ClockOffsetMs)
}

// Records keep the clock as it stood, whatever is known of it.
func TestRecordsKeepTheClockAsItStood(t *testing.T) {
	d := entrytest.New(t)
	_, id := expired(d)
	off(d, -year)
	out := d.Must(&pb.PatientWeighed{Case: id, WeightG: 50_000, Method: pb.WeightMethod_WEIGHT_METHOD_SCALE})
	_, err := d.GetRecord(t.Context(), &pb.GetRecordRequest{Record: out.Record})
	require.NoError(t, err)
	r, err := d.Replica.Store.FindRecord(out.Record)
	require.NoError(t, err)
	require.Equal(t, d.Clock.Now().UnixMicro(), r.Head.WallUs)
	require.Equal(t, d.Clock.Now().UnixMilli(), r.OccurredMs())
}

// A bag that is thawed while the clock is wrong is as old as it is.
func TestAThawOnAWrongClock(t *testing.T) {
	for name, by := range map[string]time.Duration{"a year behind": -year, "a year ahead": year} {
		t.Run(name, func(t *testing.T) {
			d := entrytest.New(t)
			bags := d.Begin()
			id := d.Foal()
			off(d, by)
			d.Must(&pb.ThawStarted{Bag: bags[0], Case: id})
			d.Clock.Advance(30 * time.Minute)
			d.Must(&pb.BagThawed{Bag: bags[0]})
			state := func() string {
				bag, err := d.GetBag(t.Context(), &pb.GetBagRequest{Bag: bags[0]})
				require.NoError(t, err)
				return bag.Bag.State
			}
			d.Clock.Advance(time.Hour)
			require.Equal(t, "thawed", state())
			now, err := d.GetNow(t.Context(), &pb.GetNowRequest{})
			require.NoError(t, err)
			require.Len(t, now.Due, 1)
			due, err := time.Parse(time.RFC3339, now.Due[0].At)
			require.NoError(t, err)
			require.Equal(t, 3*time.Hour, due.Sub(d.Clock.Now()), "counted down on this laptop's own clock")
			require.False(t, now.Due[0].Overdue)
			d.Clock.Advance(4 * time.Hour)
			require.Equal(t, "expired", state())
		})
	}
}

// A freezer that was warm by a wrong clock sets aside the bags that lay there by a
// right one.
func TestAWarmPlaceByAWrongClock(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	d.Clock.Advance(24 * time.Hour)
	off(d, -year)
	now := d.Clock.Now()
	d.Must(&pb.PlaceWarm{Place: "north car", Reason: "unplugged",
		From: &pb.Moment{UnixMs: now.Add(-3 * time.Hour).UnixMilli()}, To: &pb.Moment{UnixMs: now.Add(-time.Hour).UnixMilli()}})
	bag, err := d.GetBag(t.Context(), &pb.GetBagRequest{Bag: bags[0]})
	require.NoError(t, err)
	require.Equal(t, "quarantined", bag.Bag.State)
}

// Within a few minutes nothing is said, and nothing is corrected.
func TestAClockWithinTheLimit(t *testing.T) {
	d := entrytest.New(t)
	_, id := expired(d)
	off(d, event.DoubtAfter)
	chosen, err := d.ChooseBags(t.Context(), &pb.ChooseBagsRequest{Case: id, NeedMl: 950})
	require.NoError(t, err)
	require.NotContains(t, chosen.String(), "clock_off")
}

// A clock that is set right after it was measured is right, and is not moved by
// what was measured before.
func TestAClockThatWasSetRight(t *testing.T) {
	for name, by := range map[string]time.Duration{"was behind": -year, "was ahead": year} {
		t.Run(name, func(t *testing.T) {
			d := entrytest.New(t)
			_, id := expired(d)
			off(d, by)
			d.Clock.Advance(time.Hour)
			d.Clock.SetWall(d.Clock.Now().Add(-by))
			chosen, err := d.ChooseBags(t.Context(), &pb.ChooseBagsRequest{Case: id, NeedMl: 950})
			require.NoError(t, err)
			require.NotContains(t, chosen.String(), "clock_off")
			require.NotEqual(t, "E-1", chosen.Bags[0].Batch)
		})
	}
}

// A clock that is set wrong after it was measured right is found as well.
func TestAClockThatWasSetWrong(t *testing.T) {
	d := entrytest.New(t)
	_, id := expired(d)
	off(d, 0)
	d.Clock.SetWall(d.Clock.Now().Add(-year))
	chosen, err := d.ChooseBags(t.Context(), &pb.ChooseBagsRequest{Case: id, NeedMl: 950, Place: "old shelf"})
	require.NoError(t, err)
	require.Empty(t, chosen.Bags)
	require.Equal(t, "clock_off", chosen.Cautions[0].Code)
}

// An old measurement is told as such.
func TestAnOldMeasurement(t *testing.T) {
	d := entrytest.New(t)
	_, id := expired(d)
	off(d, -2*time.Hour)
	say := func() string {
		out, err := d.ChooseBags(t.Context(), &pb.ChooseBagsRequest{Case: id, NeedMl: 950})
		require.NoError(t, err)
		return out.Cautions[0].Text
	}
	require.Contains(t, say(), "2 hours behind")
	require.NotContains(t, say(), "old")
	d.Clock.Advance(3 * 24 * time.Hour)
	require.Contains(t, say(), "3 days ago")
	require.Contains(t, say(), "old")
}
