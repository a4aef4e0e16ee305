package service

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"log/slog"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/clock"
	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/store"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal/memfs"
	"thawtrail/internal/trust"
	"thawtrail/internal/trust/vault"
	pb "thawtrail/proto/thawtrail/v1"
)

// alone is the link of a laptop without a server.
type alone struct{}

func (alone) Server() string                          { return "" }
func (alone) State() string                           { return "no server" }
func (alone) Differences() []string                   { return nil }
func (alone) SetAside() []string                      { return nil }
func (alone) LastHeard() time.Time                    { return time.Time{} }
func (alone) StateOf(*event.Record) exchange.Delivery { return exchange.SavedHere }
func (alone) Reached(event.LogID) (sent, held int64)  { return 0, 0 }

// desk is a laptop alone with all services, and short ways to use them.
type desk struct {
	t       *testing.T
	clock   *clock.Manual
	replica *Replica
	*Records
	*Stock
	*Cases
	*Audit
}

var night = time.Date(2026, 11, 24, 13, 0, 0, 0, time.UTC)

func newDesk(t *testing.T) *desk {
	t.Helper()
	c := clock.NewManual(night)
	random := rand.NewChaCha8([32]byte{1})
	s, err := store.Open(t.Context(), store.Options{
		Dir: "replica", FS: memfs.New(), Index: index.NewMemory(), Clock: c, Random: random,
		Device: ed25519.NewKeyFromSeed(bytes.Repeat([]byte{7}, 32)), DeviceName: "north laptop", Version: "test",
	})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	keys, err := trust.OpenKeys(&vault.Vault{}, t.TempDir()+"/fields.key", random)
	require.NoError(t, err)
	r := &Replica{Store: s, Clock: c, Random: random, Seals: keys, Link: alone{}, Name: "north laptop", Log: slog.New(slog.DiscardHandler)}
	return &desk{t: t, clock: c, replica: r, Records: &Records{Replica: r}, Stock: &Stock{Replica: r}, Cases: &Cases{Replica: r}, Audit: &Audit{Replica: r}}
}

// entry wraps a payload whose type follows from its message.
func (d *desk) entry(m proto.Message) *pb.Entry {
	for _, s := range event.All() {
		if s.Message() == m.ProtoReflect().Descriptor() {
			e, err := event.Wrap(s.Type, m)
			require.NoError(d.t, err)
			return e
		}
	}
	d.t.Fatalf("no event type for %T", m)
	return nil
}

func (d *desk) write(m proto.Message) *pb.WriteResponse {
	d.t.Helper()
	out, err := d.Write(d.t.Context(), &pb.WriteRequest{Entry: d.entry(m)})
	require.NoError(d.t, err)
	return out
}

// begin founds a practice with one product, one place and three bags.
func (d *desk) begin() (bags []string) {
	d.write(&pb.PracticeFounded{Name: "Alder Creek Equine", Zone: "Australia/Sydney", Currency: "AUD", OwnerName: "M. Alder"})
	d.write(&pb.PlaceAdded{Name: "north car", Kind: pb.PlaceKind_PLACE_KIND_VEHICLE_FREEZER})
	d.write(&pb.ProductCard{Name: "Foal plasma", Maker: "Wattle Biologics", Route: pb.ProductRoute_PRODUCT_ROUTE_VEIN, SupportTelephone: "1800 000 000"})
	return d.write(&pb.BagsReceived{Product: "foal plasma", Batch: "H-2207", Expiry: "2028-03", VolumeMl: 950, Count: 3, Place: "north car"}).Made
}

func (d *desk) foal() string {
	out := d.write(&pb.CaseOpened{
		Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: "Quiet Harbour", DamChip: "985000000000001",
		Sex: pb.Sex_SEX_FILLY, Colour: "bay", Markings: "star", Box: "4", ClockChecked: true,
		BornAt: &pb.Moment{UnixMs: night.Add(-10 * time.Hour).UnixMilli()},
	})
	return out.Made[0]
}

// refused writes and returns the refusal; the number of records must not change.
func (d *desk) refused(m proto.Message) (field, text string) {
	d.t.Helper()
	before := d.replica.Store.Records()
	_, err := d.Write(d.t.Context(), &pb.WriteRequest{Entry: d.entry(m)})
	require.Error(d.t, err)
	r, ok := Refusal(err)
	require.True(d.t, ok, "%v is a refusal with a field", err)
	require.Contains(d.t, []codes.Code{codes.InvalidArgument, codes.FailedPrecondition}, status.Code(err))
	require.Equal(d.t, before, d.replica.Store.Records(), "a refused entry changes nothing")
	require.NotContains(d.t, r.Error(), "\n")
	return r.Field, r.Error()
}

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
	d := newDesk(t)
	bags := d.begin()
	id := d.foal()
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
		{"a slip in the mL", &pb.TransfusionEnded{Bag: bags[0], Case: id, GivenMl: 9400}, "given_ml", "1.5 times"},
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
			field, text := d.refused(c.entry)
			require.Equal(t, c.field, field)
			require.Contains(t, text, c.says)
			require.Less(t, len(text), 400)
		})
	}
}

// What is a fact is accepted with its caution instead.
func TestFactsAreFacts(t *testing.T) {
	d := newDesk(t)
	bags := d.begin()
	id := d.foal()
	d.write(&pb.BatchHeld{Product: "Foal plasma", Batch: "h2207", Reason: "the maker called"})
	require.Contains(t, codesOf(d.write(&pb.TransfusionStarted{Bag: bags[0], Case: id})), "bag_not_fit")
	require.Contains(t, codesOf(d.write(&pb.TransfusionEnded{Bag: bags[0], Case: id, GivenMl: 990})), "more_than_label")
	require.Contains(t, codesOf(d.write(&pb.BathMeasured{Bag: bags[1], BathDc: 480})), "bath_too_hot")
	require.Contains(t, codesOf(d.write(&pb.PatientWeighed{Case: id, WeightG: 110_000, Method: pb.WeightMethod_WEIGHT_METHOD_ESTIMATE})), "weight_for_age")
	require.Contains(t, codesOf(d.write(&pb.BagsReceived{Product: "Foal plasma", Batch: "H2208", Expiry: "2028-03", VolumeMl: 950, Count: 1, Place: "north"})), "near_batch")
	require.Contains(t, codesOf(d.write(&pb.CaseOpened{Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamChip: "985000000000001", ClockChecked: true})), "other_open_case")
}

// A time ahead of the clock asks whether the clock is right, and is accepted
// with a reason.
func TestFutureTimeTakesAReason(t *testing.T) {
	d := newDesk(t)
	bags := d.begin()
	req := &pb.WriteRequest{
		Entry:      d.entry(&pb.BagSoftened{Bag: bags[0]}),
		OccurredAt: &pb.Moment{UnixMs: night.Add(time.Hour).UnixMilli()},
	}
	_, err := d.Write(t.Context(), req)
	r, ok := Refusal(err)
	require.True(t, ok)
	require.Contains(t, r.Error(), "future_time")
	req.Overrides = []*pb.Override{{Code: "future_time", Reason: "the laptop is an hour slow"}}
	_, err = d.Write(t.Context(), req)
	require.NoError(t, err)
}

// Two clicks and two open tabs make one record, also when they come at once.
func TestOneRequestOneRecord(t *testing.T) {
	d := newDesk(t)
	bags := d.begin()
	before := d.replica.Store.Records()
	var wait sync.WaitGroup
	hashes := make([]string, 8)
	for i := range hashes {
		wait.Go(func() {
			out, err := d.Write(context.Background(), &pb.WriteRequest{Entry: d.entry(&pb.BagSoftened{Bag: bags[0]}), RequestId: "click-1"})
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
	require.Equal(t, before+1, d.replica.Store.Records())
}

// A decision needs a right; a fact is written whoever tells it.
func TestRights(t *testing.T) {
	d := newDesk(t)
	bags := d.begin()
	d.write(&pb.PersonAdded{Name: "J. Reed"})
	as := func(who string, m proto.Message) error {
		_, err := d.Write(t.Context(), &pb.WriteRequest{Entry: d.entry(m), Author: who})
		return err
	}
	require.Equal(t, codes.PermissionDenied, status.Code(as("J. Reed", &pb.PlaceAdded{Name: "south car", Kind: pb.PlaceKind_PLACE_KIND_SHELF})))
	require.NoError(t, as("J. Reed", &pb.BagSoftened{Bag: bags[0]}))
	require.NoError(t, as("M. Alder", &pb.RoleGranted{Person: "J. Reed", Roles: []pb.Role{pb.Role_ROLE_CLINIC}}))
	require.NoError(t, as("J. Reed", &pb.PlaceAdded{Name: "south car", Kind: pb.PlaceKind_PLACE_KIND_SHELF}))
	_, err := d.Write(t.Context(), &pb.WriteRequest{Entry: d.entry(&pb.BagSoftened{Bag: bags[0]})})
	r, ok := Refusal(err)
	require.True(t, ok)
	require.Equal(t, "by", r.Field, "with two people known, one must be named")
}

// A hold reaches every answer about the batch; a release frees only the hold
// that it names.
func TestReleaseFreesOneHold(t *testing.T) {
	d := newDesk(t)
	d.begin()
	first := d.write(&pb.BatchHeld{Product: "Foal plasma", Batch: "H2207", Reason: "first call"}).Record
	d.write(&pb.BatchHeld{Product: "Foal plasma", Batch: "h 2207", Reason: "second call"})
	d.write(&pb.BatchReleased{Product: "Foal plasma", Batch: "H-2207", Hold: first, Reason: "cleared"})
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
	d := newDesk(t)
	d.begin()
	client := d.write(&pb.ClientAdded{Name: &pb.Sealed{Plain: "P. Hollis"}, Telephone: &pb.Sealed{Plain: "0491 570 156"}})
	require.NoError(t, d.replica.Store.CatchUp(t.Context()))
	rec, err := d.replica.Store.FindRecord(client.Record)
	require.NoError(t, err)
	require.NotContains(t, string(rec.Wire()), "Hollis")
	shown, err := d.GetRecord(t.Context(), &pb.GetRecordRequest{Record: client.Record[:8]})
	require.NoError(t, err)
	require.Equal(t, "P. Hollis", shown.Entry.GetClientAdded().Name.Plain)

	d.write(&pb.ClientForgotten{Client: client.Made[0], Reason: "asked for"})
	require.NoError(t, d.replica.dropForgotten(t.Context()))
	shown, err = d.GetRecord(t.Context(), &pb.GetRecordRequest{Record: client.Record})
	require.NoError(t, err)
	require.Equal(t, forgotten, shown.Entry.GetClientAdded().Name.Plain)
}

// A place that was warm sets its bags aside until a person decides.
func TestWarmPlaceSetsAside(t *testing.T) {
	d := newDesk(t)
	bags := d.begin()
	d.clock.Advance(4 * time.Hour)
	moment := func(ago time.Duration) *pb.Moment {
		return &pb.Moment{UnixMs: d.clock.Now().Add(-ago).UnixMilli()}
	}
	warm := d.write(&pb.PlaceWarm{Place: "north", From: moment(2 * time.Hour), To: moment(time.Hour), Reason: "plug pulled"}).Record
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
	d.write(&pb.QuarantineDecided{Bags: bags[:1], Warm: warm, Reason: "stayed solid"})
	d.write(&pb.QuarantineDecided{Bags: bags[1:2], Warm: warm, Unfit: true, Reason: "reshaped"})
	require.Equal(t, map[string]int{"frozen": 1, "unfit": 1, "quarantined": 1}, state())
}

// The versions that a plan relied on find its case again.
func TestAffected(t *testing.T) {
	d := newDesk(t)
	bags := d.begin()
	id := d.foal()
	d.write(&pb.PlanAccepted{Case: id, Plan: "dose", VolumeMl: 950, Bags: bags[:1], Versions: []string{"engine-1", "card Foal plasma 1"}})
	out, err := d.ListAffected(t.Context(), &pb.ListAffectedRequest{Version: "card Foal plasma 1"})
	require.NoError(t, err)
	require.Len(t, out.Cases, 1)
	require.Equal(t, id, out.Cases[0].Case)
}

// A correction stands in place of the original, and says so.
func TestCorrection(t *testing.T) {
	d := newDesk(t)
	d.begin()
	id := d.foal()
	first := d.write(&pb.PatientWeighed{Case: id, WeightG: 62_500, Method: pb.WeightMethod_WEIGHT_METHOD_SCALE})
	_, err := d.Write(t.Context(), &pb.WriteRequest{
		Entry:       d.entry(&pb.Corrected{Original: first.Record[:10], Reason: "misread"}),
		Replacement: d.entry(&pb.PatientWeighed{Case: id[:3], WeightG: 52_500, Method: pb.WeightMethod_WEIGHT_METHOD_SCALE}),
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

// The keepalive of both sides must agree, or the server sends the client away.
func TestKeepaliveAgrees(t *testing.T) {
	require.Greater(t, PingEvery, MinPing)
}
