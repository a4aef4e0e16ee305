package access_test

import (
	"context"
	"crypto/rand"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/access"
	"thawtrail/internal/entry"
	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/query"
	"thawtrail/internal/refusal"
	"thawtrail/internal/trust/pins"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// shared makes the laptop one that M. Alder and J. Reed share; both have a PIN.
func shared(d *entrytest.Laptop) *access.PINs {
	d.T.Helper()
	book, err := pins.Open(nil, d.Clock.Now, rand.Reader, func([]byte) error { return nil })
	require.NoError(d.T, err)
	d.Replica.Pins = book
	d.Must(&pb.PersonAdded{Name: "J. Reed"})
	p := &access.PINs{Reader: d.Reader, Opens: func(text string) bool { return text == "abbey acorn" }}
	for name, pin := range map[string]string{"M. Alder": "4711", "J. Reed": "2580"} {
		_, err := p.SetPin(d.T.Context(), &pb.SetPinRequest{Person: name, Pin: pin})
		require.NoError(d.T, err)
	}
	_, err = p.Switch(d.T.Context(), &pb.SwitchRequest{Person: "M. Alder", Pin: "4711"})
	require.NoError(d.T, err)
	return p
}

func proof(d *entrytest.Laptop, record string) pb.ProofKind {
	d.T.Helper()
	out, err := d.GetRecord(d.T.Context(), &pb.GetRecordRequest{Record: record})
	require.NoError(d.T, err)
	require.Equal(d.T, out.Proof == pb.ProofKind_PROOF_KIND_PIN, out.ProvenAt != "")
	return out.Proof
}

const (
	proven = pb.ProofKind_PROOF_KIND_PIN
	bare   = pb.ProofKind_PROOF_KIND_NONE
)

// TestActsThatAskForAPIN want it with the act itself, and are saved without.
func TestActsThatAskForAPIN(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	shared(d)
	act := func(bag, pin string) *pb.WriteResponse {
		t.Helper()
		out, err := d.Write(t.Context(), &pb.WriteRequest{Entry: d.Entry(&pb.BagDiscarded{Bag: bag, Reason: pb.DiscardReason_DISCARD_REASON_BROKEN}), Pin: pin})
		require.NoError(t, err)
		require.Equal(t, out.Proof, proof(d, out.Record))
		return out
	}
	right := act(bags[0], "4711")
	require.Equal(t, proven, right.Proof)
	require.Empty(t, right.NoProof)
	for pin, why := range map[string]string{"": "without a PIN", "0000": "this is not the PIN", "2580": "this is not the PIN"} {
		out := act(bags[0], pin)
		require.Equal(t, bare, out.Proof)
		require.Equal(t, "Saved with 'no proof' of who did it: "+why+".", out.NoProof)
	}
	// What does not ask takes the proof of the session.
	require.Equal(t, proven, d.Must(&pb.PlaceAdded{Name: "south car", Kind: pb.PlaceKind_PLACE_KIND_VEHICLE_FREEZER}).Proof)
	// In another's name the session proves nothing.
	out, err := d.Write(t.Context(), &pb.WriteRequest{Author: "J. Reed", Entry: d.Entry(&pb.BagFound{Bag: bags[1], Place: "north car"})})
	require.NoError(t, err)
	require.Equal(t, bare, out.Proof)
	require.Empty(t, out.NoProof, "nothing was asked")

	// A caution gone past asks with every event; nothing else of it changes.
	over := &pb.WriteRequest{
		Entry:      d.Entry(&pb.BagMissing{Bag: bags[2]}),
		OccurredAt: &pb.Moment{UnixMs: d.Clock.Now().Add(3 * time.Hour).UnixMilli()},
		Overrides:  []*pb.Override{{Code: "future_time", Reason: "the wall clock here is wrong"}},
	}
	out, err = d.Write(t.Context(), over)
	require.NoError(t, err)
	require.Equal(t, bare, out.Proof)
	over.Pin = "4711"
	out, err = d.Write(t.Context(), over)
	require.NoError(t, err)
	require.Equal(t, proven, out.Proof)

	// The owner's list has who and what; the story of the bag says it too.
	list, err := d.ListUnproven(t.Context(), &pb.ListUnprovenRequest{})
	require.NoError(t, err)
	require.Len(t, list.Rows, 4)
	require.Equal(t, []string{"future_time: the wall clock here is wrong"}, list.Rows[0].Overrides)
	for _, row := range list.Rows {
		require.Equal(t, "M. Alder", row.Who)
		require.False(t, row.Unsigned)
	}
	require.Contains(t, list.Rows[1].What, "Thrown away")
	bag, err := d.GetBag(t.Context(), &pb.GetBagRequest{Bag: bags[0]})
	require.NoError(t, err)
	marked := 0
	for _, row := range bag.Timeline {
		if len(row.Marks) == 1 && row.Marks[0] == wording.NoProof {
			marked++
		}
	}
	require.Equal(t, 3, marked)
}

// TestSignLater saves what cannot wait without a name, and takes names afterwards.
func TestSignLater(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	shared(d)
	foal := d.Foal()
	d.Ready(foal, bags[0])
	d.Must(&pb.TransfusionStarted{Case: foal, Bag: bags[0]})
	nobody := entry.Actor{Session: "locked", Nobody: true}
	clamp, err := d.WriteBy(t.Context(), nobody, &pb.WriteRequest{Entry: d.Entry(&pb.FlowChanged{Case: foal})})
	require.NoError(t, err)
	look, err := d.WriteBy(t.Context(), nobody, &pb.WriteRequest{Entry: d.Entry(&pb.VitalsNoted{Case: foal, HeartRate: new(int32(96))})})
	require.NoError(t, err)
	require.Equal(t, bare, look.Proof)
	_, err = d.WriteBy(t.Context(), nobody, &pb.WriteRequest{Entry: d.Entry(&pb.BagMissing{Bag: bags[1]})})
	ref, ok := refusal.As(err)
	require.True(t, ok, "all else needs a name")
	require.Equal(t, "by", ref.Field)
	_, err = d.WriteBy(t.Context(), nobody, &pb.WriteRequest{Author: "J. Reed", Entry: d.Entry(&pb.BagMissing{Bag: bags[1]})})
	require.Error(t, err)

	waiting := func() (out []*pb.UnprovenRow) {
		t.Helper()
		require.NoError(t, d.View(t.Context(), func(l *query.ReadView) (err error) { out, err = l.Unsigned(); return err }))
		list, err := d.ListUnproven(t.Context(), &pb.ListUnprovenRequest{Unsigned: true})
		require.NoError(t, err)
		require.Len(t, list.Rows, len(out))
		return out
	}
	require.Len(t, waiting(), 2)
	require.True(t, waiting()[0].Unsigned)

	sign := func(by string, records ...string) error {
		_, err := d.Write(t.Context(), &pb.WriteRequest{Author: by, Entry: d.Entry(&pb.Signed{Records: records})})
		return err
	}
	require.NoError(t, sign("J. Reed", clamp.Record))
	require.Len(t, waiting(), 1)
	for text, records := range map[string][]string{"signed already": {clamp.Record}, "not here": {"00" + clamp.Record[2:]}, "of a person": {look.Record[:12], d.Must(&pb.BagMissing{Bag: bags[1]}).Record}} {
		require.Error(t, sign("M. Alder", records...), text)
	}
	require.NoError(t, sign("M. Alder", look.Record[:12]))
	require.Empty(t, waiting())
	out, err := d.GetCase(t.Context(), &pb.GetCaseRequest{Case: foal})
	require.NoError(t, err)
	who := map[string]string{}
	for _, row := range out.Timeline {
		who[row.Record] = row.Who
		require.NotContains(t, row.Marks, "nobody has signed this yet")
	}
	require.Equal(t, "J. Reed", who[clamp.Record])
	require.Equal(t, "M. Alder", who[look.Record])

	// A signature in the wrong name is taken off by a correction.
	again, err := d.WriteBy(t.Context(), nobody, &pb.WriteRequest{Entry: d.Entry(&pb.FlowChanged{Case: foal})})
	require.NoError(t, err)
	wrong, err := d.Write(t.Context(), &pb.WriteRequest{Author: "J. Reed", Entry: d.Entry(&pb.Signed{Records: []string{again.Record}})})
	require.NoError(t, err)
	_, err = d.Write(t.Context(), &pb.WriteRequest{Entry: d.Entry(&pb.Corrected{Original: wrong.Record, Void: true, Reason: "that was the other vet"}), Pin: "4711"})
	require.NoError(t, err)
	require.Len(t, waiting(), 1)
	require.NoError(t, sign("M. Alder", again.Record))
	require.Empty(t, waiting())
}

// TestListPins tells who has one, never what it is.
func TestListPins(t *testing.T) {
	d := entrytest.New(t)
	d.Begin()
	p := shared(d)
	d.Must(&pb.PersonAdded{Name: "P. Moss"})
	list := func() []*pb.PinRow {
		out, err := p.ListPins(context.Background(), &pb.ListPinsRequest{})
		require.NoError(t, err)
		return out.Pins
	}
	require.Len(t, list(), 2)
	require.Equal(t, "J. Reed", list()[0].PersonName)
	require.True(t, list()[0].PinSet)
	require.False(t, list()[0].TypesNow)
	require.NotEmpty(t, list()[1].ProvenAt)
	_, err := p.Switch(t.Context(), &pb.SwitchRequest{Person: "P. Moss"})
	require.NoError(t, err)
	require.Len(t, list(), 3)
	require.True(t, list()[2].TypesNow)
	require.False(t, list()[2].PinSet)
	require.Empty(t, list()[2].ProvenAt)
}
