package query_test

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/ledger"
	pb "thawtrail/proto/thawtrail/v1"
)

func dossier(l *entrytest.Laptop, req *pb.GetRecallRequest) *pb.GetRecallResponse {
	l.T.Helper()
	out, err := l.GetRecall(l.T.Context(), req)
	require.NoError(l.T, err)
	require.Equal(l.T, out.Received, out.Given+out.Out+out.Lent+out.LentBack+out.Returned+out.KeptBack+out.Discarded+out.Missing, "the sum fits")
	return out
}

// hang thaws a bag, checks it and hangs it.
func hang(d *entrytest.Laptop, start *pb.TransfusionStarted) {
	d.Must(&pb.ThawStarted{Bag: start.Bag, Case: start.Case})
	d.Must(&pb.BagThawed{Bag: start.Bag})
	d.Ready(start.Case, start.Bag)
	d.Must(start)
}

// A bag that was hung after its batch was held, and of which the delivery had been typed
// as of another batch, was given after that hold: it is asked of the batch that it is of.
func TestAHoldIsAskedOfTheBatchThatABagIsOf(t *testing.T) {
	for _, live := range []bool{true, false} {
		d := entrytest.New(t)
		d.Begin()
		typed := &pb.BagsReceived{Product: "Foal plasma", Batch: "H-9999", Expiry: "2028-03", VolumeMl: 950, Count: 1, Place: "north car"}
		delivery := d.Must(typed)
		bag, id := delivery.Made[0], d.Foal()
		d.Must(&pb.BatchHeld{Product: "Foal plasma", Batch: "H-2207", Reason: "two reactions"})
		d.Clock.Advance(time.Hour)
		start := &pb.TransfusionStarted{Bag: bag, Case: id}
		if live {
			hang(d, start)
		} else {
			d.Clock.Advance(20 * time.Hour)
			enter(d, "M. Alder", d.Clock.Now().Add(-20*time.Hour), d.Entry(start))
		}
		require.Empty(t, dossier(d, &pb.GetRecallRequest{Product: "Foal plasma", Batch: "H-9999"}).Patients[0].AfterHold)

		right := proto.Clone(typed).(*pb.BagsReceived)
		right.Batch = "H-2207"
		correct(d, "M. Alder", delivery.Record, entrytest.Night, d.Entry(right))
		out := dossier(d, &pb.GetRecallRequest{Product: "Foal plasma", Batch: "H-2207"})
		require.Len(t, out.Patients, 1)
		require.Equal(t, bag, out.Patients[0].Bag)
		require.Equal(t, ledger.HoldReached, out.Patients[0].AfterHold, "live %v", live)
	}
}

// The dossier says where the bags are, whom to call, and what was done about it.
func TestARecallSaysWhomToCall(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	client := d.Must(&pb.ClientAdded{Name: &pb.Sealed{Plain: "P. Hollis"}, Telephone: &pb.Sealed{Plain: "0491 570 156"}}).Made[0]
	id := d.Must(&pb.CaseOpened{Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: "Quiet Harbour", ClockChecked: true, Client: client, Yard: "Hill Road"}).Made[0]
	hang(d, &pb.TransfusionStarted{Bag: bags[0], Case: id})
	d.Clock.Advance(time.Hour)
	d.Must(&pb.ReactionNoted{Case: id, Bag: bags[0], Signs: []string{"hives"}})
	d.Must(&pb.TransfusionEnded{Bag: bags[0], Case: id, GivenMl: 620})
	told := d.Clock.Now().Add(-30 * time.Minute)
	d.Clock.Advance(time.Hour)
	hold := enter(d, "M. Alder", told, d.Entry(&pb.BatchRecalled{Product: "Foal plasma", Batch: "h 2207", Reason: "maker recall"}))
	d.Must(&pb.BagsPulled{Bags: bags[1:2], Text: "red box"})

	out := dossier(d, &pb.GetRecallRequest{Product: "Foal plasma", Batch: "H2207"})
	require.Equal(t, []int32{3, 1, 2}, []int32{out.Received, out.Given, out.Out})
	p := out.Patients[0]
	require.Equal(t, []string{id, "P. Hollis", "0491 570 156", "Hill Road", "M. Alder", "reaction", ""}, []string{p.Case, p.Client, p.Telephone, p.Yard, p.Vet, p.Reaction, p.CalledAt})
	require.EqualValues(t, 620, p.GivenMl)
	require.Empty(t, p.AfterHold)
	pulled := slices.IndexFunc(out.BagsOut, func(b *pb.RecallBag) bool { return b.Bag == bags[1] })
	require.Equal(t, "M. Alder", out.BagsOut[pulled].PulledBy)
	require.Equal(t, "north car", out.BagsOut[1-pulled].Place)
	require.Empty(t, out.BagsOut[1-pulled].PulledAt)
	h := out.Holds[0]
	require.Equal(t, hold.Record, h.Record)
	require.NotEqual(t, h.ToldAt, h.WrittenAt, "when it was told, and when it was written")
	require.Len(t, h.Heard, 1)
	require.Contains(t, out.Records, hold.Record)

	d.Must(&pb.ClientCalled{Case: id, Reached: true, Text: "foal is well"})
	p = dossier(d, &pb.GetRecallRequest{Case: id}).Patients[0]
	require.NotEmpty(t, p.CalledAt)
	require.Equal(t, "M. Alder", p.CalledBy)
	require.True(t, p.Reached)
	_, err := d.GetRecall(t.Context(), &pb.GetRecallRequest{})
	require.ErrorContains(t, err, "what the recall is about")
}

// checkRecall asks for the dossier of every batch, by each way that leads to bags, and
// holds it against the count.
func (s *season) checkRecall(l *entrytest.Laptop) {
	s.t.Helper()
	batches := map[string][]*trueBag{}
	for _, b := range s.bags {
		batches[b.product+"/"+b.batch] = append(batches[b.product+"/"+b.batch], b)
	}
	for _, bags := range batches {
		out := dossier(l, &pb.GetRecallRequest{Product: bags[0].product, Batch: bags[0].batch})
		var wantOut, gotOut, wantGiven, gotGiven []string
		for _, b := range bags {
			if place := b.place(); place != "" {
				wantOut = append(wantOut, b.number+" "+place)
			}
			given := map[string]int64{}
			for _, x := range b.doses {
				given[x.foal.id] += x.ml
			}
			for id, ml := range given {
				wantGiven = append(wantGiven, told(id, b.number, ml, b.doses[0].who, b.doses[0].at))
			}
		}
		for _, b := range out.BagsOut {
			gotOut = append(gotOut, b.Bag+" "+b.Place)
		}
		for _, p := range out.Patients {
			at, err := time.Parse(time.RFC3339, p.At)
			require.NoError(s.t, err)
			gotGiven = append(gotGiven, told(p.Case, p.Bag, int64(p.GivenMl), p.Vet, at))
		}
		require.ElementsMatch(s.t, wantOut, gotOut)
		require.ElementsMatch(s.t, wantGiven, gotGiven)
		require.EqualValues(s.t, len(bags), out.Received)
	}
}

func told(id, bag string, ml int64, who string, at time.Time) string {
	return id + " " + bag + " " + who + " " + at.UTC().Format(time.RFC3339) + " " + time.Duration(ml).String()
}
