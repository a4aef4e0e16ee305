package query_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/entry/entrytest"
	pb "thawtrail/proto/thawtrail/v1"
)

// An alarm is a change from the patient's own baseline: 1 C of temperature
// (Rubio-Martinez & Hendrickson (eds), Complications in Equine Surgery, ch. 6),
// and the practice's own limits for heart and respiratory rate.
func TestAlarmOnChangeFromBaseline(t *testing.T) {
	d := entrytest.New(t)
	d.Begin()
	id := d.Foal()
	d.Must(&pb.ProtocolSet{Name: "newborn foal", HeartRateRise: proto.Int32(30)})
	d.Must(&pb.ProtocolSet{Name: "any foal", HeartRateRise: proto.Int32(20)})
	look := func(dc, heart, breaths int32) string {
		d.Clock.Advance(5 * time.Minute)
		d.Must(&pb.VitalsNoted{Case: id, TemperatureDc: &dc, HeartRate: &heart, BreathingRate: &breaths})
		out, err := d.GetCase(t.Context(), &pb.GetCaseRequest{Case: id})
		require.NoError(t, err)
		return out.Vitals[len(out.Vitals)-1].Change
	}
	require.Equal(t, "baseline", look(382, 96, 34))
	require.Equal(t, "temperature +0.9 C, heart rate +19/min", look(391, 115, 34))
	require.Contains(t, look(392, 96, 34), "ALARM: temperature +1 C")
	require.Contains(t, look(382, 116, 34), "ALARM: heart rate +20/min", "the tightest limit counts")
	require.Contains(t, look(382, 96, 49), "ALARM: respiratory rate +15/min", "where the practice sets no limit the program's own counts")
	require.Contains(t, look(372, 96, 34), "ALARM: temperature -1 C", "a fall alarms too")
}

// What is due stands in the order of time, and a hold on a bag that runs is told.
func TestNowTellsWhatRunsAndIsDue(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	id := d.Foal()
	d.Must(&pb.ThawStarted{Bag: bags[0], Case: id, BathDc: proto.Int32(370)})
	d.Must(&pb.BagThawed{Bag: bags[0]})
	d.Ready(id, bags[0])
	d.Must(&pb.TransfusionStarted{Bag: bags[0], Case: id})
	d.Must(&pb.BatchHeld{Product: "Foal plasma", Batch: "H2207", Reason: "the maker called"})
	d.Clock.Advance(6 * time.Minute)
	now, err := d.GetNow(t.Context(), &pb.GetNowRequest{})
	require.NoError(t, err)
	require.Len(t, now.Running, 1)
	require.Len(t, now.HoldsInUse, 1, "the hold concerns the bag that runs")
	require.Equal(t, "1800 000 000", now.HoldsInUse[0].SupportTelephone)
	require.True(t, now.Due[0].Overdue, "vitals were due after 5 minutes: %v", now.Due)
	require.Contains(t, now.Due[0].What, "Quiet Harbour")

	sheet, err := d.GetCase(t.Context(), &pb.GetCaseRequest{Case: id})
	require.NoError(t, err)
	require.Equal(t, int32(6), sheet.Transfusions[0].ElapsedMin)
	d.Must(&pb.TransfusionEnded{Bag: bags[0], Case: id, GivenMl: 940})
	d.Must(&pb.FluidGiven{Case: id, Fluid: "lactated Ringer", VolumeMl: 500})
	sheet, err = d.GetCase(t.Context(), &pb.GetCaseRequest{Case: id})
	require.NoError(t, err)
	require.Equal(t, int32(1440), sheet.Volume_24HMl, "plasma and other fluid count together")
}
