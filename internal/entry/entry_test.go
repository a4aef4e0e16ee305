package entry_test

import (
	"context"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/refusal"
	"thawtrail/internal/trust"
	pb "thawtrail/proto/thawtrail/v1"
)

func codesOf(out *pb.WriteResponse) []string {
	var list []string
	for _, c := range out.Cautions {
		list = append(list, c.Code)
	}
	return list
}

// Bad input is refused with the field, the value and what was expected, and
// changes nothing.
func TestBadInput(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	id := d.Foal()
	wrong := []byte(bags[0])
	wrong[8] = map[bool]byte{true: '3', false: '4'}[wrong[8] == '4']
	cases := []struct {
		name  string
		entry proto.Message
		field string
		says  string
	}{
		{"wrong check character", &pb.ThawStarted{Bag: string(wrong)}, "bag", "check character"},
		{"a day that does not exist", &pb.BagsReceived{Product: "Foal plasma", Batch: "X1", Expiry: "2026-02-30", VolumeMl: 950, Count: 1, Place: "north"}, "expiry", "2026-02-30"},
		{"an ambiguous day", &pb.BagsReceived{Product: "Foal plasma", Batch: "X1", Expiry: "03/04/27", VolumeMl: 950, Count: 1, Place: "north"}, "expiry", "03/04/27"},
		{"negative weight", &pb.PatientWeighed{Case: id, WeightG: -5000, Method: pb.WeightMethod_WEIGHT_METHOD_SCALE}, "weight_kg", "5 to 1500"},
		{"absurd weight", &pb.PatientWeighed{Case: id, WeightG: 5_000_000, Method: pb.WeightMethod_WEIGHT_METHOD_SCALE}, "weight_kg", "pounds"},
		{"mg/dL typed as g/L", &pb.IggTested{Case: id, Kind: "barn", IggCgPerL: proto.Int32(35000)}, "igg_g_per_l", "mg/dL"},
		{"a megabyte of text", &pb.BagMissing{Bag: bags[0], Reason: strings.Repeat("x", 1<<20)}, "reason", "bytes"},
		{"broken UTF-8", &pb.BagMissing{Bag: bags[0], Reason: "\xff\xfe"}, "reason", "UTF-8"},
		{"escape characters", &pb.BagMissing{Bag: bags[0], Reason: "\x1b[31mred"}, "reason", "control"},
		{"unknown place", &pb.BagsMoved{Bags: bags[:1], ToPlace: "south car"}, "to_place", "north car"},
		{"a bag twice", &pb.BagsMoved{Bags: []string{bags[0], bags[0]}, ToPlace: "north"}, "bags", "once"},
		{"a hot bath", &pb.ThawStarted{Bag: bags[0], BathDc: proto.Int32(481)}, "bath_c", "45"},
		{"an unknown case", &pb.RiskAsked{Case: "ZZZZ"}, "case", "ZZZZ"},
		{"the dam's chip as the foal's", &pb.CaseOpened{Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: "Other", PatientChip: "985000000000001"}, "chip", "dam"},
		{"a second practice", &pb.PracticeFounded{Name: "B", Zone: "UTC", Currency: "EUR", OwnerName: "X"}, "name", "Alder Creek"},
		{"no such zone", &pb.PracticeFounded{Name: "B", Zone: "Mars/Base", Currency: "EUR", OwnerName: "X"}, "zone", "Mars/Base"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			field, text := d.Refused(c.entry)
			require.Equal(t, c.field, field)
			require.Contains(t, text, c.says)
			require.Less(t, len(text), 400)
		})
	}
}

// What is a fact is accepted with its caution instead.
func TestFactsAreFacts(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	id := d.Foal()
	d.Must(&pb.BatchHeld{Product: "Foal plasma", Batch: "h2207", Reason: "the maker called"})
	require.Contains(t, codesOf(d.Must(&pb.BathChecked{Bag: bags[0], Case: id})), "bag_not_fit")
	require.Contains(t, codesOf(d.Must(&pb.TransfusionEnded{Bag: bags[0], Case: id, GivenMl: 990})), "more_than_label")
	require.Contains(t, codesOf(d.Must(&pb.BathMeasured{Bag: bags[1], BathDc: 480})), "bath_too_hot")
	require.Contains(t, codesOf(d.Must(&pb.PatientWeighed{Case: id, WeightG: 110_000, Method: pb.WeightMethod_WEIGHT_METHOD_ESTIMATE})), "weight_for_age")
	received := func(batch string) []string {
		return codesOf(d.Must(&pb.BagsReceived{Product: "Foal plasma", Batch: batch, Expiry: "2028-03", VolumeMl: 950, Count: 1, Place: "north"}))
	}
	require.Contains(t, received("HZ207"), "near_batch")
	require.NotContains(t, received("HZ207"), "near_batch", "a batch that is known exactly is no slip")
	require.NotContains(t, received("H2208"), "near_batch", "deliveries count on")
	require.Contains(t, codesOf(d.Must(&pb.BatchHeld{Product: "Foal plasma", Batch: "H2209", Reason: "the maker called"})), "near_batch", "a hold on a batch that nobody has")
	require.Contains(t, codesOf(d.Must(&pb.CaseOpened{Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamChip: "985000000000001", ClockChecked: true})), "other_open_case")
}

// A time ahead of the clock asks whether the clock is right, and is accepted
// with a reason.
func TestFutureTimeTakesAReason(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	req := &pb.WriteRequest{
		Entry:      d.Entry(&pb.BagSoftened{Bag: bags[0]}),
		OccurredAt: &pb.Moment{UnixMs: entrytest.Night.Add(time.Hour).UnixMilli()},
	}
	_, err := d.Write(t.Context(), req)
	r, ok := refusal.As(err)
	require.True(t, ok)
	require.Contains(t, r.Error(), "future_time")
	req.Overrides = []*pb.Override{{Code: "future_time", Reason: "the laptop is an hour slow"}}
	_, err = d.Write(t.Context(), req)
	require.NoError(t, err)
}

// Two clicks and two open tabs make one record, also when they come at once.
func TestOneRequestOneRecord(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	before := d.Replica.Store.Records()
	var wait sync.WaitGroup
	hashes := make([]string, 8)
	for i := range hashes {
		wait.Go(func() {
			out, err := d.Write(context.Background(), &pb.WriteRequest{Entry: d.Entry(&pb.BagSoftened{Bag: bags[0]}), RequestId: "click-1"})
			if err == nil {
				hashes[i] = out.Record
			}
		})
	}
	wait.Wait()
	for _, h := range hashes {
		require.Equal(t, hashes[0], h)
		require.NotEmpty(t, h)
	}
	require.Equal(t, before+1, d.Replica.Store.Records())
}

// A decision needs a right; a fact is written whoever tells it.
func TestRights(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	d.Must(&pb.PersonAdded{Name: "J. Reed"})
	as := func(who string, m proto.Message) error {
		_, err := d.Write(t.Context(), &pb.WriteRequest{Entry: d.Entry(m), Author: who})
		return err
	}
	require.ErrorIs(t, as("J. Reed", &pb.PlaceAdded{Name: "south car", Kind: pb.PlaceKind_PLACE_KIND_SHELF}), refusal.ErrDenied)
	require.NoError(t, as("J. Reed", &pb.BagSoftened{Bag: bags[0]}))
	require.NoError(t, as("M. Alder", &pb.RoleGranted{Person: "J. Reed", Roles: []pb.Role{pb.Role_ROLE_CLINIC}}))
	require.NoError(t, as("J. Reed", &pb.PlaceAdded{Name: "south car", Kind: pb.PlaceKind_PLACE_KIND_SHELF}))
	_, err := d.Write(t.Context(), &pb.WriteRequest{Entry: d.Entry(&pb.BagSoftened{Bag: bags[0]})})
	r, ok := refusal.As(err)
	require.True(t, ok)
	require.Equal(t, "by", r.Field, "with two people known, one must be named")
}

// A hold reaches every answer about the batch; a release frees only the hold
// that it names.
func TestReleaseFreesOneHold(t *testing.T) {
	d := entrytest.New(t)
	d.Begin()
	first := d.Must(&pb.BatchHeld{Product: "Foal plasma", Batch: "H2207", Reason: "first call"}).Record
	d.Must(&pb.BatchHeld{Product: "Foal plasma", Batch: "h 2207", Reason: "second call"})
	d.Must(&pb.BatchReleased{Product: "Foal plasma", Batch: "H-2207", Hold: first, Reason: "cleared"})
	out, err := d.ListBatches(t.Context(), &pb.ListBatchesRequest{Held: true})
	require.NoError(t, err)
	require.Len(t, out.Batches, 1)
	require.True(t, out.Batches[0].Held, "the second hold stands")
	require.Equal(t, "1800 000 000", out.Batches[0].Holds[0].SupportTelephone)
	stock, err := d.ListStock(t.Context(), &pb.ListStockRequest{})
	require.NoError(t, err)
	for _, b := range stock.Bags {
		require.Equal(t, "on_hold", b.State)
	}
}

// A sealed note reads in clear here, stands nowhere in the record's bytes, and
// is gone when its key is dropped.
func TestSealedNote(t *testing.T) {
	d := entrytest.New(t)
	d.Begin()
	client := d.Must(&pb.ClientAdded{Name: &pb.Sealed{Plain: "P. Hollis"}, Telephone: &pb.Sealed{Plain: "0491 570 156"}})
	require.NoError(t, d.Replica.Store.CatchUp(t.Context()))
	rec, err := d.Replica.Store.FindRecord(client.Record)
	require.NoError(t, err)
	require.NotContains(t, string(rec.Wire()), "Hollis")
	shown, err := d.GetRecord(t.Context(), &pb.GetRecordRequest{Record: client.Record[:8]})
	require.NoError(t, err)
	require.Equal(t, "P. Hollis", shown.Entry.GetClientAdded().Name.Plain)

	d.Must(&pb.ClientForgotten{Client: client.Made[0], Reason: "asked for"})
	require.NoError(t, d.DropForgotten(t.Context()))
	shown, err = d.GetRecord(t.Context(), &pb.GetRecordRequest{Record: client.Record})
	require.NoError(t, err)
	require.Equal(t, "(sealed: the key is not on this laptop)", shown.Entry.GetClientAdded().Name.Plain)
}

// A place that was warm sets its bags aside until a person decides.
func TestWarmPlaceSetsAside(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	d.Clock.Advance(4 * time.Hour)
	moment := func(ago time.Duration) *pb.Moment {
		return &pb.Moment{UnixMs: d.Clock.Now().Add(-ago).UnixMilli()}
	}
	warm := d.Must(&pb.PlaceWarm{Place: "north", From: moment(2 * time.Hour), To: moment(time.Hour), Reason: "plug pulled"}).Record
	state := func() map[string]int {
		out, err := d.ListStock(t.Context(), &pb.ListStockRequest{Place: "north"})
		require.NoError(t, err)
		n := map[string]int{}
		for _, b := range out.Bags {
			n[b.State]++
		}
		return n
	}
	require.Equal(t, map[string]int{"quarantined": 3}, state())
	d.Must(&pb.QuarantineDecided{Bags: bags[:1], Warm: warm, Reason: "stayed solid"})
	d.Must(&pb.QuarantineDecided{Bags: bags[1:2], Warm: warm, Unfit: true, Reason: "reshaped"})
	require.Equal(t, map[string]int{"frozen": 1, "unfit": 1, "quarantined": 1}, state())
}

// The versions that a plan relied on find its case again.
func TestAffected(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	id := d.Foal()
	d.Must(&pb.PlanAccepted{Case: id, Plan: "dose", VolumeMl: 950, Bags: bags[:1], Versions: []string{"engine-1", "card Foal plasma 1"}})
	out, err := d.ListAffected(t.Context(), &pb.ListAffectedRequest{Version: "card Foal plasma 1"})
	require.NoError(t, err)
	require.Len(t, out.Cases, 1)
	require.Equal(t, id, out.Cases[0].Case)
}

// A correction stands in place of the original, and says so.
func TestCorrection(t *testing.T) {
	d := entrytest.New(t)
	d.Begin()
	id := d.Foal()
	first := d.Must(&pb.PatientWeighed{Case: id, WeightG: 62_500, Method: pb.WeightMethod_WEIGHT_METHOD_SCALE})
	_, err := d.Write(t.Context(), &pb.WriteRequest{
		Entry:       d.Entry(&pb.Corrected{Original: first.Record[:10], Reason: "misread"}),
		Replacement: d.Entry(&pb.PatientWeighed{Case: id[:3], WeightG: 52_500, Method: pb.WeightMethod_WEIGHT_METHOD_SCALE}),
	})
	require.NoError(t, err)
	out, err := d.GetCase(t.Context(), &pb.GetCaseRequest{Case: id})
	require.NoError(t, err)
	require.InDelta(t, 52.5, out.GetWeightKg(), 1e-9)
	found := false
	for _, row := range out.Timeline {
		if strings.Contains(row.What, "52.5") {
			found = true
			require.Contains(t, row.Marks, "corrected")
		}
	}
	require.True(t, found, "the story tells the corrected weight: %v", out.Timeline)
}

// Where several people are known, whoever a laptop joined the practice for writes, until
// somebody says otherwise; of one that joined for nobody the refusal names the ways.
func TestWhoTheLaptopIsForWrites(t *testing.T) {
	d := entrytest.New(t)
	d.Begin()
	reed := d.Must(&pb.PersonAdded{Name: "J. Reed"}).Made[0]
	note := &pb.NoteAdded{EntityKind: "place", Entity: "north car", Text: &pb.Sealed{Plain: "the lid sticks"}}
	field, text := d.Refused(note)
	require.Equal(t, "by", field)
	require.Contains(t, text, "--by NAME")
	require.Contains(t, text, "thawtrail switch NAME")
	d.Replica.Joined = &trust.Joined{Person: reed}
	written := d.Must(note)
	require.NoError(t, d.Store.CatchUp(t.Context()))
	record, err := d.Store.FindRecord(written.Record)
	require.NoError(t, err)
	require.Equal(t, reed, record.Head.Author)
	d.Replica.Joined = &trust.Joined{Person: "somebody of whom no record came yet"}
	field, _ = d.Refused(note)
	require.Equal(t, "by", field)
}
