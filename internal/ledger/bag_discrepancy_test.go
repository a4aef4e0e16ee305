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

const (
	mare  = "name:MARE/"
	other = "name:OTHER/"
)

func thawed(place string) *pb.ThawStarted { return &pb.ThawStarted{Bag: "B1", Place: place} }

func counted(place string, seen, notSeen []string) *pb.PlaceCounted {
	return &pb.PlaceCounted{Place: place, BagsSeen: seen, BagsNotSeen: notSeen}
}

func expiring(day string) *pb.BagsReceived {
	r := received("car")
	r.Expiry = day
	return r
}

func found(place string) *pb.BagFound {
	return &pb.BagFound{Bag: "B1", Product: "plasma", Batch: "H2207", Expiry: "2028-03", VolumeMl: 950, Place: place}
}

func returned(to pb.ReturnTo, place string, dc int32) *pb.BagReturned {
	return &pb.BagReturned{Bag: "B1", To: to, Place: place, KeptAtDc: proto.Int32(dc)}
}

// TestBagDiscrepancies tells one story in each row, an act an hour, and what does
// not fit together in it.
func TestBagDiscrepancies(t *testing.T) {
	type act struct {
		by   string // device
		h    float64
		body proto.Message
		opts []ledgertest.Option
	}
	a := func(by string, h float64, body proto.Message, opts ...ledgertest.Option) act {
		return act{by, h, body, opts}
	}
	bag := []string{"B1"}
	for _, tt := range []struct {
		name string
		acts []act
		want []string
	}{
		{"given to two patients", []act{
			a("x", 0, received("car")), a("x", 1, started("C1", mare, "car")), a("y", 1.2, started("C2", other, "car")),
		}, []string{ledger.GivenToTwoPatients}},
		{"shared with the twin on purpose", []act{
			a("x", 0, received("car")), a("x", 1, started("C1", mare+"A", "car")),
			a("x", 2, &pb.TransfusionStarted{Bag: "B1", Case: "C2", Patient: mare + "B", Place: "car", SharedWithTwin: true}),
		}, nil},
		{"one transfusion, two entries", []act{
			a("x", 0, received("car")), a("x", 1, started("C1", mare, "car")), a("y", 1.1, started("C1", mare, "car")),
			a("x", 2, ended("C1", mare, 900), finished), a("y", 2.1, ended("C1", mare, 900), finished),
		}, []string{ledger.EnteredTwice}},
		{"one foal opened as two cases, same transfusion", []act{
			a("x", 0, received("car")), a("x", 1, started("C1", mare, "car")), a("y", 1.1, started("C2", mare, "car")),
		}, []string{ledger.EnteredTwice}},
		{"a second session of the same bag", []act{
			a("x", 0, received("car")), a("x", 1, started("C1", mare, "car")), a("x", 1.2, ended("C1", mare, 300)),
			a("x", 1.5, started("C1", mare, "car")), a("x", 2, ended("C1", mare, 940), finished),
		}, nil},
		{"received twice", []act{a("x", 0, received("freezer")), a("y", 1, received("freezer"))}, []string{ledger.ReceivedTwice}},
		{"more than the label says", []act{
			a("x", 0, received("car")), a("x", 1, started("C1", mare, "car")), a("x", 2, ended("C1", mare, 951), finished),
		}, []string{ledger.OverVolume}},
		{"exactly what the label says", []act{
			a("x", 0, received("car")), a("x", 1, started("C1", mare, "car")), a("x", 2, ended("C1", mare, 950), finished),
		}, nil},
		{"given after the expiry day, wherever it was", []act{
			a("x", 0, expiring("2026-11-18")), a("x", 1, started("C1", mare, "car")),
		}, []string{ledger.GivenAfterExpiry}},
		{"given after the expiry month", []act{
			a("x", 0, expiring("2026-10")), a("x", 1, started("C1", mare, "car")),
		}, []string{ledger.GivenAfterExpiry}},
		{"given on the expiry day", []act{
			a("x", 0, expiring("2026-11-20")), a("x", 1, started("C1", mare, "car")),
		}, nil},
		{"given in the expiry month", []act{
			a("x", 0, expiring("2026-11")), a("x", 1, started("C1", mare, "car")),
		}, nil},
		{"thaw clock from its start", []act{
			a("x", 0, received("car")), a("x", 1, thawed("car")), a("x", 5.1, started("C1", mare, "car")),
		}, []string{ledger.GivenAfterExpiry}},
		{"thaw clock from complete", []act{
			a("x", 0, received("car")), a("x", 1, thawed("car")), a("x", 1.5, &pb.BagThawed{Bag: "B1"}),
			a("x", 5.4, started("C1", mare, "car")),
		}, nil},
		{"thawed, kept in a fridge at 4 C, within the day", []act{
			a("x", 0, received("car")), a("x", 1, thawed("car")), a("x", 1.5, &pb.BagThawed{Bag: "B1"}),
			a("x", 2, returned(pb.ReturnTo_RETURN_TO_FRIDGE, "fridge", 40)), a("x", 25.4, started("C1", mare, "fridge")),
		}, nil},
		{"thawed, kept in a fridge at 4 C, a day later", []act{
			a("x", 0, received("car")), a("x", 1, thawed("car")), a("x", 1.5, &pb.BagThawed{Bag: "B1"}),
			a("x", 2, returned(pb.ReturnTo_RETURN_TO_FRIDGE, "fridge", 40)), a("x", 25.6, started("C1", mare, "fridge")),
		}, []string{ledger.GivenAfterExpiry}},
		{"thawed, kept in a fridge at 9 C", []act{
			a("x", 0, received("car")), a("x", 1, thawed("car")),
			a("x", 2, returned(pb.ReturnTo_RETURN_TO_FRIDGE, "fridge", 90)), a("x", 6, started("C1", mare, "fridge")),
		}, []string{ledger.GivenAfterExpiry}},
		{"set clock", []act{
			a("x", 0, received("car")), a("x", 1, &pb.SetAttached{Bag: "B1"}), a("x", 5.1, started("C1", mare, "car")),
		}, []string{ledger.GivenAfterExpiry}},
		{"moved from where it did not lie", []act{
			a("x", 0, received("freezer")), a("x", 1, moved("freezer", "car")), a("y", 2, moved("freezer", "other car")),
		}, []string{ledger.CustodyBroken}},
		{"used where it had lain before", []act{
			a("x", 0, received("freezer")), a("x", 1, moved("freezer", "car")), a("y", 2, started("C1", mare, "freezer")),
		}, []string{ledger.CustodyBroken}},
		{"used after it was thrown away", []act{
			a("x", 0, received("car")), a("x", 1, &pb.BagDiscarded{Bag: "B1"}), a("y", 2, started("C1", mare, "car")),
		}, []string{ledger.CustodyBroken}},
		{"the late move that explains the use", []act{
			a("x", 0, received("freezer")), a("y", 2, started("C1", mare, "car")), a("x", 3, moved("freezer", "car"), in(1)),
		}, nil},
		{"used from a place to which nobody had moved it", []act{
			a("x", 0, received("freezer")), a("y", 2, started("C1", mare, "car")),
		}, []string{ledger.FoundBag}},
		{"seen in a count where nobody had put it", []act{
			a("x", 0, received("freezer")), a("y", 2, counted("car", bag, nil)),
		}, []string{ledger.FoundBag}},
		{"found, and nobody received it", []act{a("x", 0, found("car"))}, []string{ledger.FoundBag}},
		{"found where it had been received", []act{a("x", 0, received("car")), a("y", 1, found("car"))}, nil},
		{"thawed twice", []act{
			a("x", 0, received("car")), a("x", 1, thawed("car")), a("x", 3, thawed("car")),
		}, []string{ledger.ThawedTwice}},
		{"one thaw entered by two", []act{
			a("x", 0, received("car")), a("x", 1, thawed("car")), a("y", 1.1, thawed("car")),
		}, nil},
		{"refrozen", []act{
			a("x", 0, received("car")), a("x", 1, &pb.BagRefrozen{Bag: "B1"}),
		}, []string{ledger.Refrozen}},
		{"softened, then returned to the freezer", []act{
			a("x", 0, received("car")), a("x", 1, &pb.BagSoftened{Bag: "B1"}), a("x", 2, returned(pb.ReturnTo_RETURN_TO_FREEZER, "freezer", -180)),
		}, []string{ledger.Refrozen}},
		{"never softened, returned to the freezer", []act{
			a("x", 0, received("car")), a("x", 2, returned(pb.ReturnTo_RETURN_TO_FREEZER, "freezer", -180)),
		}, nil},
		{"not seen in a count", []act{
			a("x", 0, received("car")), a("y", 1, counted("car", nil, bag)),
		}, []string{ledger.CountDiffers}},
		{"not seen in a count, and it had been moved meanwhile", []act{
			a("x", 0, received("car")), a("x", 1, moved("car", "freezer")), a("y", 2, counted("car", nil, bag)),
		}, nil},
		{"missing", []act{a("x", 0, received("car")), a("x", 1, &pb.BagMissing{Bag: "B1"})}, []string{ledger.Missing}},
		{"missing, and seen again", []act{
			a("x", 0, received("car")), a("x", 1, &pb.BagMissing{Bag: "B1"}), a("y", 2, counted("car", bag, nil)),
		}, nil},
	} {
		t.Run(tt.name, func(t *testing.T) {
			w := ledgertest.New(t)
			devices := map[string]*ledgertest.Device{"x": w.Device("x"), "y": w.Device("y")}
			for _, a := range tt.acts {
				w.Pass(ledgertest.Start.Add(time.Duration(a.h * float64(time.Hour))).Sub(w.Now()))
				devices[a.by].Write(a.body, a.opts...)
			}
			b := foldBag(t, w)
			require.ElementsMatch(t, tt.want, kindsOf(b))
			for _, d := range b.Discrepancies() {
				require.True(t, d.Open)
				require.NotEmpty(t, d.Text)
				require.NotEmpty(t, d.Records)
				require.NotEmpty(t, d.Evidence)
				require.Equal(t, bagKey, d.Entity)
				require.Empty(t, d.HoldReached)
			}
		})
	}
}

// One transfusion that two laptops entered counts once.
func TestEnteredTwiceCountsOnce(t *testing.T) {
	w := ledgertest.New(t)
	x, y := w.Device("x"), w.Device("y")
	x.Write(received("car"))
	x.Write(started("C1", mare, "car"))
	y.Write(started("C2", mare, "car"))
	x.Write(ended("C1", mare, 900), finished)
	y.Write(ended("C2", mare, 920), finished)
	b := foldBag(t, w)
	require.Equal(t, int32(920), b.GivenMl)
	require.Len(t, b.Given, 2)
	require.Equal(t, []string{ledger.EnteredTwice}, kindsOf(b))
}

// A late void of one entry takes the evidence away, and the discrepancy with it.
func TestEvidenceGoes(t *testing.T) {
	w := ledgertest.New(t)
	x, y := w.Device("x"), w.Device("y")
	x.Write(received("car"))
	x.Write(started("C1", mare, "car"))
	wrong := y.Write(started("C2", other, "car"))
	require.Equal(t, []string{ledger.GivenToTwoPatients}, kindsOf(foldBag(t, w)))
	y.Correct(wrong, nil)
	b := foldBag(t, w)
	require.Empty(t, kindsOf(b))
	require.True(t, b.Timeline[len(b.Timeline)-2].Marks.Has(ledger.MarkVoided), "what was voided stays in the story")
}

// An explanation settles the evidence that it names, and nothing that comes later.
func TestExplained(t *testing.T) {
	w := ledgertest.New(t)
	x := w.Device("x")
	x.Write(received("car"))
	x.Write(started("C1", mare, "car"))
	second := x.Write(started("C2", other, "car"))
	d := foldBag(t, w).Discrepancies()[0]
	x.Write(&pb.DiscrepancyExplained{
		Kind: d.Kind, EntityKind: bagKey.Kind, Entity: bagKey.ID, Evidence: [][]byte{d.Evidence[0][:]}, Text: "second case is a slip",
	})
	d = foldBag(t, w).Discrepancies()[0]
	require.False(t, d.Open)
	require.Equal(t, "second case is a slip", d.Explanations[0].Text)

	third := x.Write(started("C3", "name:THIRD/", "car"))
	d = foldBag(t, w).Discrepancies()[0]
	require.True(t, d.Open, "a third patient is new evidence")
	require.Len(t, d.Evidence, 3)

	x.Correct(third, nil)
	require.False(t, foldBag(t, w).Discrepancies()[0].Open)
	x.Correct(second, started("C2", "name:THIRD/", "car"))
	d = foldBag(t, w).Discrepancies()[0]
	require.True(t, d.Open, "a corrected record is new evidence")
	require.Len(t, d.Evidence, 1)
}

// A correction that names another bag takes the fact from the one to the other.
func TestCorrectedToAnotherBag(t *testing.T) {
	w := ledgertest.New(t)
	x := w.Device("x")
	x.Write(received("car"))
	discard := x.Write(&pb.BagDiscarded{Bag: "B0", Reason: pb.DiscardReason_DISCARD_REASON_BROKEN})
	x.Correct(discard, &pb.BagDiscarded{Bag: "B1", Reason: pb.DiscardReason_DISCARD_REASON_BROKEN})

	b0 := ledgertest.Fold(event.Key{Kind: event.KindBag, ID: "B0"}, w.Records()).(*ledger.Bag)
	require.Empty(t, b0.Ended)
	require.True(t, b0.Timeline[1].Marks.Has(ledger.MarkCorrected|ledger.MarkElsewhere))
	b1 := foldBag(t, w)
	require.Equal(t, ledger.EndDiscarded, b1.Ended)
	require.Equal(t, discard.Hash, b1.Ends[0].Stamp.Record)
}

// The last correction stands. Two that had not seen each other say so, until a
// third has seen both.
func TestCorrectedApart(t *testing.T) {
	w := ledgertest.New(t)
	x, y := w.Device("x"), w.Device("y")
	got := x.Write(received("car"))
	first := received("car")
	first.VolumeMl = 900
	second := received("car")
	second.VolumeMl = 500
	one := x.Correct(got, first)
	two := y.Correct(got, second)
	b0 := event.Key{Kind: event.KindBag, ID: "B0"} // the primary entity
	b := ledgertest.Fold(b0, w.Records()).(*ledger.Bag)
	require.Equal(t, int32(500), b.Label.VolumeMl)
	require.Equal(t, []string{ledger.CorrectedApart}, kindsOf(b))
	require.Empty(t, kindsOf(foldBag(t, w)), "said once, on the primary entity")

	x.Correct(got, first, ledgertest.Knowing(one, two))
	b = ledgertest.Fold(b0, w.Records()).(*ledger.Bag)
	require.Equal(t, int32(900), b.Label.VolumeMl)
	require.Empty(t, kindsOf(b))
}

// Written order decides which statement stands, not the wall clock.
//
// Mutant: order by wall clock.
func TestWrittenOrderNotWallClock(t *testing.T) {
	w := ledgertest.New(t)
	x, y := w.Device("x"), w.Device("y")
	x.Offset = time.Hour // its clock is ahead
	early := x.Write(&pb.SettingsChanged{Name: "recheck_hours", Value: "24"})
	y.See(early)
	y.Write(&pb.SettingsChanged{Name: "recheck_hours", Value: "18"})
	s := ledgertest.Fold(event.Key{Kind: event.KindSetting, ID: "recheck_hours"}, w.Records()).(*ledger.Setting)
	require.Equal(t, "18", s.Value, "the second had seen the first")
}

// Which corrections count is asked of what was corrected: a delivery that was taken for
// a label card, and then put right as of another batch, takes its patient there.
func TestTheLastWordOnADeliveryMovesItsBags(t *testing.T) {
	w := ledgertest.New(t)
	x := w.Device("x")
	delivery := x.Write(received("car"))
	x.Write(started("C1", "name:FIRST/", "car"))
	x.Correct(delivery, &pb.ProductCard{Name: "plasma"})
	right := received("car")
	right.Batch = "H2208"
	x.Correct(delivery, right)
	require.Empty(t, ledgertest.Fold(batchKey, w.Records()).(*ledger.Batch).Starts)
}

// A patient leaves the list of a batch when the delivery of the bag is corrected to
// another batch, and for nothing less: when the correction does not say of which batch
// the bag is, what was read at the bedside stands, and a recall finds the patient.
func TestAPatientStaysWithTheBatchThatWasRead(t *testing.T) {
	other := func(bags ...string) *pb.BagsReceived {
		m := received("car")
		m.Batch, m.Bags, m.Count = "H2208", bags, int32(len(bags))
		return m
	}
	for what, c := range map[string]struct {
		to     proto.Message
		starts int
	}{
		"voided":                           {nil, 1},
		"a recall of another batch":        {&pb.BatchRecalled{Product: "plasma", Batch: "H2208", Reason: "recall"}, 1},
		"other bags of another batch":      {other("B0"), 1},
		"the same bags of another batch":   {other("B0", "B1"), 0},
		"the same bags of the same batch":  {received("clinic"), 1},
		"this bag alone, of another batch": {other("B1"), 0},
	} {
		w := ledgertest.New(t)
		x := w.Device("x")
		delivery := x.Write(received("car"))
		x.Write(started("C1", "name:FIRST/", "car"))
		var shown ledgertest.History
		look := func() *ledger.Batch {
			b := ledgertest.Fold(batchKey, w.Records()).(*ledger.Batch)
			held := map[event.Hash]*event.Record{}
			for _, r := range w.Records() {
				held[r.Hash] = r
			}
			require.NoError(t, shown.Look([]ledger.State{b}, ledgertest.Evidence{Records: held, Rights: ledger.FoldRights(nil)}), what)
			return b
		}
		require.Len(t, look().Starts, 1)
		x.Correct(delivery, c.to)
		require.Len(t, look().Starts, c.starts, what)
	}
}
