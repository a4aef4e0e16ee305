package ledger_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/ledger/ledgertest"
	pb "thawtrail/proto/thawtrail/v1"
)

// bagKey and batchKey name the bag and the batch of most tests.
var (
	bagKey   = event.Key{Kind: event.KindBag, ID: "B1"}
	batchKey = event.Key{Kind: event.KindBatch, ID: event.BatchID("plasma", "H2207")}
	caseKey  = event.Key{Kind: event.KindCase, ID: "C1"}
)

func received(place string) *pb.BagsReceived {
	return &pb.BagsReceived{
		Bags: []string{"B0", "B1"}, Product: "plasma", Batch: "H2207", Expiry: "2028-03", VolumeMl: 950, Count: 2, Place: place,
	}
}

func started(id, patient, place string) *pb.TransfusionStarted {
	return &pb.TransfusionStarted{Bag: "B1", Case: id, Product: "plasma", Batch: "H2207", Patient: patient, Place: place}
}

func ended(id, patient string, ml int32) *pb.TransfusionEnded {
	return &pb.TransfusionEnded{Bag: "B1", Case: id, Patient: patient, GivenMl: ml}
}

func moved(from, to string) *pb.BagsMoved {
	return &pb.BagsMoved{Bags: []string{"B1"}, ToPlace: to, FromPlaces: []string{from}}
}

var finished = ledgertest.As(82)

// in is an hour of the night, counted from its start.
func in(h float64) ledgertest.Option {
	return ledgertest.At(ledgertest.Start.Add(time.Duration(h * float64(time.Hour))))
}

func foldBag(t *testing.T, w *ledgertest.World) *ledger.Bag {
	t.Helper()
	b, ok := ledgertest.Fold(bagKey, w.Records()).(*ledger.Bag)
	require.True(t, ok)
	return b
}

// kindsOf lists the kinds of an entity's discrepancies.
func kindsOf(s ledger.State) []string {
	out := []string{}
	for _, d := range s.Discrepancies() {
		out = append(out, d.Kind)
	}
	return out
}

func TestBagOfOneNight(t *testing.T) {
	w := ledgertest.New(t)
	car, clinic := w.Device("car"), w.Device("clinic")
	for _, step := range []struct {
		d    *ledgertest.Device
		body proto.Message
	}{
		{clinic, received("freezer")},
		{car, moved("freezer", "car")},
		{car, &pb.ThawStarted{Bag: "B1", Case: "C1", Place: "car", BathDc: proto.Int32(370)}},
		{car, &pb.BathMeasured{Bag: "B1", BathDc: 345}},
		{car, &pb.BagThawed{Bag: "B1", BagDc: proto.Int32(330)}},
		{car, &pb.SetAttached{Bag: "B1", Case: "C1"}},
		{car, started("C1", "name:MARE/", "car")},
	} {
		step.d.Write(step.body)
	}
	b := foldBag(t, w)
	require.True(t, b.Running())
	require.False(t, b.InStock(), "a bag that hangs has left the stock")
	car.Write(ended("C1", "name:MARE/", 940), finished)

	b = foldBag(t, w)
	require.False(t, b.Running())
	require.Empty(t, kindsOf(b))
	require.Equal(t, []string{"freezer", "car"}, []string{b.Custody[0].Place, b.Custody[1].Place})
	require.Equal(t, "car", b.Place)
	require.Equal(t, ledger.EndGiven, b.Ended)
	require.Equal(t, int32(940), b.GivenMl)
	require.Equal(t, "2028-03", b.Label.Expiry)
	require.NotNil(t, b.Thaws[0].Complete)
	require.Len(t, b.Timeline, 8)
	require.False(t, b.InStock())
}
