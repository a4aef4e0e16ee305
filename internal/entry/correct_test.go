package entry_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/query"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// instead writes a correction of a record: what stands in its place from now on.
func instead(d *entrytest.Laptop, record string, m proto.Message) *pb.WriteResponse {
	d.T.Helper()
	out, err := d.Write(d.T.Context(), &pb.WriteRequest{
		Entry: d.Entry(&pb.Corrected{Original: record, Reason: "typed wrongly"}), Replacement: d.Entry(m),
	})
	require.NoError(d.T, err)
	return out
}

// stock lists the numbers of the bags in stock.
func stock(d *entrytest.Laptop) (bags []string) {
	d.T.Helper()
	out, err := d.ListStock(d.T.Context(), &pb.ListStockRequest{})
	require.NoError(d.T, err)
	for _, b := range out.Bags {
		bags = append(bags, b.Bag)
	}
	return bags
}

// A delivery whose price, expiry, batch or volume is put right is the same bags: their
// stickers stay good, and what was given of them stays theirs.
func TestACorrectedDeliveryKeepsItsBags(t *testing.T) {
	d := entrytest.New(t)
	d.Begin()
	got := d.Must(&pb.BagsReceived{Product: "foal plasma", Batch: "K-11", Expiry: "2028-03", VolumeMl: 950, Count: 4, Place: "north car"})
	before := stock(d)
	instead(d, got.Record, &pb.BagsReceived{Product: "foal plasma", Batch: "K-12", Expiry: "2028-04", VolumeMl: 900, Count: 4, Place: "north car", CostMinor: proto.Int64(21_500)})
	require.ElementsMatch(t, before, stock(d))
	out, err := d.GetBag(t.Context(), &pb.GetBagRequest{Bag: got.Made[0]})
	require.NoError(t, err)
	require.Equal(t, "K-12", out.Bag.Batch)
	require.Equal(t, "2028-04", out.Bag.Expiry)
	require.EqualValues(t, 900, out.Bag.VolumeMl)
}

// More bags than were typed get new numbers beside the old ones; of fewer, those fall
// away that nothing else was told of.
func TestACorrectedCountKeepsTheBagsThatWereUsed(t *testing.T) {
	d := entrytest.New(t)
	d.Begin()
	delivery := func(count int32) *pb.BagsReceived {
		return &pb.BagsReceived{Product: "foal plasma", Batch: "K-11", Expiry: "2028-03", VolumeMl: 950, Count: count, Place: "north car"}
	}
	got := d.Must(delivery(4))
	more := instead(d, got.Record, delivery(5))
	require.Len(t, more.Made, 1, "one new sticker is printed")
	require.Subset(t, stock(d), append(got.Made, more.Made...))

	d.Must(&pb.BagSoftened{Bag: got.Made[3]})
	d.Must(&pb.BagSoftened{Bag: more.Made[0]})
	instead(d, got.Record, delivery(3))
	left := stock(d)
	require.Subset(t, left, []string{got.Made[0], got.Made[3], more.Made[0]})
	require.NotContains(t, left, got.Made[1])
	require.NotContains(t, left, got.Made[2])

	_, err := d.Write(t.Context(), &pb.WriteRequest{
		Entry: d.Entry(&pb.Corrected{Original: got.Record, Reason: "one came"}), Replacement: d.Entry(delivery(1)),
	})
	require.ErrorContains(t, err, "count")
	require.ErrorContains(t, err, "2 of them")
}

// A case whose opening is put right is the same case, and a person or a place too.
func TestACorrectionKeepsWhatItIsAbout(t *testing.T) {
	d := entrytest.New(t)
	d.Begin()
	opened := d.Must(&pb.CaseOpened{Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: "Quiet Harbour", ClockChecked: true})
	again := instead(d, opened.Record, &pb.CaseOpened{Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: "Quiet Harbor", ClockChecked: true})
	require.Empty(t, again.Made)
	cases, err := d.ListCases(t.Context(), &pb.ListCasesRequest{})
	require.NoError(t, err)
	require.Len(t, cases.Cases, 1)
	require.Equal(t, opened.Made[0], cases.Cases[0].Case)
	require.Contains(t, cases.Cases[0].Patient, "Quiet Harbor")
}

// What this replica knew when a move or a count was entered is not asked of the stock
// of today.
func TestACorrectionKeepsWhatWasKnownThen(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	d.Must(&pb.PlaceAdded{Name: "south car", Kind: pb.PlaceKind_PLACE_KIND_VEHICLE_FREEZER})
	d.Must(&pb.PlaceAdded{Name: "clinic", Kind: pb.PlaceKind_PLACE_KIND_VEHICLE_FREEZER})
	moved := d.Must(&pb.BagsMoved{Bags: bags[:2], ToPlace: "south car"})
	instead(d, moved.Record, &pb.BagsMoved{Bags: bags[:2], ToPlace: "clinic"})
	counted := d.Must(&pb.PlaceCounted{Place: "north car"})
	d.Must(&pb.BagsMoved{Bags: bags[2:], ToPlace: "clinic"})
	instead(d, counted.Record, &pb.PlaceCounted{Place: "north car", BagsSeen: bags[2:]})
	out, err := d.ListDiscrepancies(t.Context(), &pb.ListDiscrepanciesRequest{Open: true})
	require.NoError(t, err)
	require.Empty(t, out.Discrepancies)
}

// A delivery that never came is in no list, no file and no count.
func TestAVoidedDeliveryIsNowhere(t *testing.T) {
	d := entrytest.New(t)
	d.Begin()
	before := stock(d)
	got := d.Must(&pb.BagsReceived{Product: "foal plasma", Batch: "K-11", Expiry: "2028-03", VolumeMl: 950, Count: 14, Place: "north car"})
	d.Must(&pb.Corrected{Original: got.Record, Void: true, Reason: "typed twice"})
	require.ElementsMatch(t, before, stock(d))
	use, err := d.ListUse(t.Context(), &pb.ListUseRequest{})
	require.NoError(t, err)
	require.EqualValues(t, 3, use.Rows[0].Received)
	batches, err := d.ListBatches(t.Context(), &pb.ListBatchesRequest{})
	require.NoError(t, err)
	require.Len(t, batches.Batches, 1)
	_, err = d.Write(t.Context(), &pb.WriteRequest{Entry: d.Entry(&pb.ThawStarted{Bag: got.Made[0]})})
	require.NoError(t, err, "what happened to it is recorded all the same")
}

// A bag that was lent and comes back is in stock where it was put.
func TestALentBagComesBack(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	d.Must(&pb.BagsLent{Bags: bags[:2], ToPractice: "Fernhill Equine"})
	require.Len(t, stock(d), 1)
	d.Must(&pb.BagReturned{Bag: bags[0], To: pb.ReturnTo_RETURN_TO_FREEZER, Place: "north car"})
	d.Must(&pb.BagsMoved{Bags: bags[1:2], ToPlace: "north car"})
	require.ElementsMatch(t, bags, stock(d))
	out, err := d.ListDiscrepancies(t.Context(), &pb.ListDiscrepanciesRequest{Open: true})
	require.NoError(t, err)
	require.Empty(t, out.Discrepancies, "nothing is broken by a bag that comes home")
}

// What a vet gave on the last day of a month stays that vet's and that month's when a
// clerk bins the rest on the first of the next.
func TestGivenBelongsToWhoGaveIt(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	d.Must(&pb.PersonAdded{Name: "T. Clerk"})
	id := opened(d)
	by := func(who string, m proto.Message) {
		_, err := d.Write(t.Context(), &pb.WriteRequest{Entry: d.Entry(m), Author: who})
		require.NoError(t, err)
	}
	month := func(day time.Time) {
		d.Clock.SetWall(day)
	}
	month(time.Date(2026, 11, 30, 2, 0, 0, 0, time.UTC))
	by("M. Alder", &pb.TransfusionEnded{Bag: bags[0], Case: id, GivenMl: 310})
	month(time.Date(2026, 12, 1, 2, 0, 0, 0, time.UTC))
	by("T. Clerk", &pb.BagDiscarded{Bag: bags[0], Reason: pb.DiscardReason_DISCARD_REASON_REST_OF_BAG, VolumeMl: proto.Int32(640)})
	for _, group := range []struct{ by, name string }{{"month", "2026-11"}, {"person", "M. Alder"}} {
		use, err := d.ListUse(t.Context(), &pb.ListUseRequest{By: group.by})
		require.NoError(t, err)
		for _, row := range use.Rows {
			if row.Group == group.name {
				require.EqualValues(t, 310, row.GivenMl)
				require.EqualValues(t, 1, row.Given)
				continue
			}
			require.Zero(t, row.GivenMl, row.Group)
			require.Zero(t, row.Given, row.Group)
		}
	}
}

func opened(d *entrytest.Laptop) string {
	out, err := d.Write(d.T.Context(), &pb.WriteRequest{Author: "M. Alder", Entry: d.Entry(&pb.CaseOpened{
		Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: "Quiet Harbour", ClockChecked: true,
	})})
	require.NoError(d.T, err)
	return out.Made[0]
}

// A reading counts on the day on which it was taken, and a time shortly ahead of the
// clock is asked about, never yesterday's.
func TestAReadingBelongsToItsDay(t *testing.T) {
	d := entrytest.New(t)
	d.Begin()
	d.Clock.SetWall(time.Date(2026, 12, 2, 1, 0, 0, 0, time.UTC))
	_, err := d.Write(t.Context(), &pb.WriteRequest{
		Entry:      d.Entry(&pb.TemperatureRead{Place: "north car", NowDc: -210}),
		OccurredAt: &pb.Moment{UnixMs: time.Date(2026, 11, 29, 1, 0, 0, 0, time.UTC).UnixMilli()},
	})
	require.NoError(t, err)
	d.Must(&pb.TemperatureRead{Place: "north car", NowDc: -205})
	places, err := d.ListPlaces(t.Context(), &pb.ListPlacesRequest{})
	require.NoError(t, err)
	require.Equal(t, "1 reading in December 2026", places.Places[0].History)
}

// A count that did not see a bag does not say in its story that it was counted.
func TestABagThatACountDidNotSee(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	d.Must(&pb.PlaceCounted{Place: "north car", BagsSeen: bags[:2]})
	said := func(bag string) string {
		out, err := d.GetBag(t.Context(), &pb.GetBagRequest{Bag: bag})
		require.NoError(t, err)
		return out.Timeline[len(out.Timeline)-1].What
	}
	require.Equal(t, "Seen at the count of north car", said(bags[0]))
	require.Equal(t, "Not seen at the count of north car.", said(bags[2]))
}

// What stock there was at a moment past is what there was then, not what is left today.
func TestStockAsOfAMomentPast(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	d.Must(&pb.PlaceAdded{Name: "clinic", Kind: pb.PlaceKind_PLACE_KIND_VEHICLE_FREEZER})
	d.Clock.Advance(time.Hour)
	before := d.Clock.Now()
	d.Clock.Advance(time.Hour)
	d.Must(&pb.BagDiscarded{Bag: bags[0], Reason: pb.DiscardReason_DISCARD_REASON_BROKEN})
	d.Must(&pb.BagsMoved{Bags: bags[1:2], ToPlace: "clinic"})
	d.Must(&pb.ThawStarted{Bag: bags[2]})
	later := d.Must(&pb.BagsReceived{Product: "foal plasma", Batch: "K-11", Expiry: "2028-03", VolumeMl: 950, Count: 1, Place: "clinic"}).Made
	asOf := func(at time.Time, place string) map[string]string {
		out, err := d.ListStock(t.Context(), &pb.ListStockRequest{At: at.Format(time.RFC3339), Place: place})
		require.NoError(t, err)
		got := map[string]string{}
		for _, b := range out.Bags {
			got[b.Bag] = b.Place + " " + b.State
		}
		return got
	}
	was := map[string]string{bags[0]: "north car frozen", bags[1]: "north car frozen", bags[2]: "north car frozen"}
	require.Equal(t, was, asOf(before, ""))
	require.Equal(t, was, asOf(before, "north car"))
	require.Empty(t, asOf(before, "clinic"))
	require.Empty(t, asOf(before.Add(-2*time.Hour), ""))
	d.Clock.Advance(time.Minute)
	now := asOf(d.Clock.Now(), "")
	require.Contains(t, now, later[0])
	require.NotContains(t, now, bags[0])
	require.Equal(t, "clinic frozen", now[bags[1]])
}

// The bags of a warm spell are decided without a record's hash: the spell is the one
// that nobody decided yet.
func TestDecidingAfterAWarmSpell(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	at := func(ago time.Duration) *pb.Moment {
		return &pb.Moment{UnixMs: d.Clock.Now().Add(-ago).UnixMilli(), Zone: "Australia/Sydney"}
	}
	d.Clock.Advance(5 * time.Hour)
	_, err := d.Write(t.Context(), &pb.WriteRequest{Entry: d.Entry(&pb.QuarantineDecided{Bags: bags, Reason: "stayed hard"})})
	require.ErrorContains(t, err, "warm spell")
	first := d.Must(&pb.PlaceWarm{Place: "north car", From: at(3 * time.Hour), To: at(2 * time.Hour)})
	d.Must(&pb.QuarantineDecided{Bags: bags[:2], Reason: "stayed hard"})
	second := d.Must(&pb.PlaceWarm{Place: "north car", From: at(time.Hour), To: at(time.Minute)})
	_, err = d.Write(t.Context(), &pb.WriteRequest{Entry: d.Entry(&pb.QuarantineDecided{Bags: bags, Reason: "stayed hard"})})
	require.ErrorContains(t, err, first.Record[:12], "several are open: which?")
	require.ErrorContains(t, err, second.Record[:12])
	d.Must(&pb.QuarantineDecided{Bags: bags, Warm: second.Record[:12], Reason: "stayed hard"})
	d.Must(&pb.QuarantineDecided{Bags: bags[2:], Reason: "stayed hard"})
	out, err := d.ListStock(t.Context(), &pb.ListStockRequest{})
	require.NoError(t, err)
	for _, b := range out.Bags {
		require.Equal(t, "frozen", b.State, b.Because)
	}
}

// Two cases that were said to be one foal stand in a list once.
func TestTwoCasesOfOneFoalAreListedOnce(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	one, other := opened(d), opened(d)
	for _, id := range []string{one, other} {
		d.Must(&pb.TransfusionEnded{Bag: bags[0], Case: id, GivenMl: 900})
	}
	d.Must(&pb.Linked{Kind: "case", First: one, Second: other, Reason: "typed twice"})
	out, err := d.ListCases(t.Context(), &pb.ListCasesRequest{Open: true})
	require.NoError(t, err)
	require.Len(t, out.Cases, 1)
	require.EqualValues(t, 900, out.Cases[0].GivenMl)
}

// A bag that one foal had under two cases was given once.
func TestABagOfOneFoalIsGivenOnce(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	one, other := opened(d), opened(d)
	for _, id := range []string{one, other} {
		d.Must(&pb.TransfusionEnded{Bag: bags[0], Case: id, GivenMl: 900})
	}
	d.Must(&pb.Linked{Kind: "case", First: one, Second: other, Reason: "typed twice"})
	require.NoError(t, d.View(t.Context(), func(b *query.ReadView) error {
		bag, err := b.Bag(bags[0])
		require.NoError(t, err)
		given, err := b.GivenOf(bag)
		require.Len(t, given, 1)
		return err
	}))
}

// A hold of today did not stand on yesterday's stock.
func TestStockAsOfKnowsNoLaterHold(t *testing.T) {
	d := entrytest.New(t)
	d.Begin()
	d.Clock.Advance(time.Hour)
	before := d.Clock.Now().Format(time.RFC3339)
	d.Clock.Advance(time.Hour)
	d.Must(&pb.BatchHeld{Product: "foal plasma", Batch: "H-2207", Reason: "the maker called"})
	for at, state := range map[string]string{before: "frozen", "": "on_hold"} {
		out, err := d.ListStock(t.Context(), &pb.ListStockRequest{At: at})
		require.NoError(t, err)
		require.Len(t, out.Bags, 3)
		require.Equal(t, state, out.Bags[0].State)
	}
}

// What a vet told of a patient is not taken back by a clerk; who may do it stands on the
// owner's list, before and after and why.
func TestWhoMayCorrectAVet(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	for name, role := range map[string]pb.Role{"J. Reed": pb.Role_ROLE_VET, "S. Moss": pb.Role_ROLE_VET, "T. Clerk": pb.Role_ROLE_CLINIC} {
		_, err := d.Write(t.Context(), &pb.WriteRequest{Author: "M. Alder", Entry: d.Entry(&pb.PersonAdded{Name: name})})
		require.NoError(t, err)
		_, err = d.Write(t.Context(), &pb.WriteRequest{Author: "M. Alder", Entry: d.Entry(&pb.RoleGranted{Person: name, Roles: []pb.Role{role}})})
		require.NoError(t, err)
	}
	id := opened(d)
	by := func(who string, m proto.Message) (*pb.WriteResponse, error) {
		return d.Write(t.Context(), &pb.WriteRequest{Entry: d.Entry(m), Author: who})
	}
	given, err := by("J. Reed", &pb.TransfusionEnded{Bag: bags[0], Case: id, GivenMl: 310})
	require.NoError(t, err)
	_, err = by("T. Clerk", &pb.Corrected{Original: given.Record, Void: true, Reason: "tidying"})
	require.ErrorIs(t, err, refusal.ErrDenied)
	require.ErrorContains(t, err, "T. Clerk")
	require.ErrorContains(t, err, "J. Reed")
	void, err := by("S. Moss", &pb.Corrected{Original: given.Record, Void: true, Reason: "other foal"})
	require.NoError(t, err)
	list, err := d.ListCorrections(t.Context(), &pb.ListCorrectionsRequest{})
	require.NoError(t, err)
	require.Len(t, list.Rows, 1)
	row := list.Rows[0]
	require.Equal(t, void.Record, row.Record)
	require.Equal(t, "S. Moss", row.Who)
	require.Equal(t, "J. Reed", row.EnteredBy)
	require.Equal(t, "other foal", row.Reason)
	require.Contains(t, row.Before, "310")
	require.True(t, row.Voided && row.NoProof)
	people, err := d.ListPeople(t.Context(), &pb.ListPeopleRequest{})
	require.NoError(t, err)
	for _, p := range people.People {
		require.NotEmpty(t, p.Grants, p.Name)
	}
	_, err = by("M. Alder", &pb.RightsRevoked{Grant: people.People[0].Grants[0][:12], Reason: "left"})
	require.NoError(t, err, "a role is ended by what is printed beside it")
}

// A typed time is echoed with its day and zone, so that a wrong day is seen.
func TestATypedTimeIsEchoed(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	out, err := d.Write(t.Context(), &pb.WriteRequest{
		Entry:      d.Entry(&pb.BagSoftened{Bag: bags[0]}),
		OccurredAt: &pb.Moment{UnixMs: entrytest.Night.Add(-time.Hour).UnixMilli(), Source: pb.TimeSource_TIME_SOURCE_TYPED},
	})
	require.NoError(t, err)
	require.Contains(t, out.Text, "Time: 23:00 AEDT on Tue 24 Nov 2026.")
}

// What no correction reaches is refused with the way that is.
func TestWhatCannotBeCorrectedSaysHowItIsChanged(t *testing.T) {
	d := entrytest.New(t)
	d.Begin()
	granted := d.Must(&pb.RoleGranted{Person: "M. Alder", Roles: []pb.Role{pb.Role_ROLE_VET}})
	fixed := d.Must(&pb.PlaceAdded{Name: "soth car", Kind: pb.PlaceKind_PLACE_KIND_VEHICLE_FREEZER})
	again := instead(d, fixed.Record, &pb.PlaceAdded{Name: "south car", Kind: pb.PlaceKind_PLACE_KIND_VEHICLE_FREEZER})
	for record, way := range map[string]string{
		granted.Record: "rights revoke --grant",
		again.Record:   "correct that one again: " + fixed.Record,
	} {
		_, err := d.Write(t.Context(), &pb.WriteRequest{Entry: d.Entry(&pb.Corrected{Original: record, Void: true, Reason: "a slip"})})
		require.ErrorContains(t, err, way)
	}
}

// What was entered a moment ago is taken back by its author without a word and without
// a PIN. A minute later a reason is asked for, and so it is of anybody else.
func TestAnEntryIsTakenBackWithinAMinute(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	voided := func(record, by, reason string) (*pb.WriteResponse, error) {
		return d.Write(t.Context(), &pb.WriteRequest{Entry: d.Entry(&pb.Corrected{Original: record, Void: true, Reason: reason}), Author: by})
	}
	slip := d.Must(&pb.BagMissing{Bag: bags[0]})
	require.NotEmpty(t, slip.UndoUntil)
	d.Clock.Advance(59 * time.Second)
	out, err := voided(slip.Record, "", "")
	require.NoError(t, err)
	require.Empty(t, out.NoProof)
	require.Empty(t, out.UndoUntil, "a correction is not taken back: its original is corrected again")
	require.Len(t, stock(d), 3)
	rows, err := d.ListCorrections(t.Context(), &pb.ListCorrectionsRequest{})
	require.NoError(t, err)
	require.Len(t, rows.Rows, 1, "the owner sees it all the same")
	require.Equal(t, "taken back within a minute", rows.Rows[0].Reason)
	require.False(t, rows.Rows[0].NoProof)
	unproven, err := d.ListUnproven(t.Context(), &pb.ListUnprovenRequest{})
	require.NoError(t, err)
	require.Empty(t, unproven.Rows)

	late := d.Must(&pb.BagMissing{Bag: bags[1]})
	d.Clock.Advance(61 * time.Second)
	_, err = voided(late.Record, "", "")
	require.ErrorContains(t, err, "reason")
	_, err = voided(late.Record, "", "it lay behind the door")
	require.NoError(t, err)

	d.Must(&pb.PersonAdded{Name: "T. Clerk"})
	another, err := d.Write(t.Context(), &pb.WriteRequest{Entry: d.Entry(&pb.BagMissing{Bag: bags[2]}), Author: "M. Alder"})
	require.NoError(t, err)
	_, err = voided(another.Record, "T. Clerk", "")
	require.ErrorContains(t, err, "reason")
}

// A dated list tells what was corrected once: what stands, with what it had told, who
// put it right and why. The record in full tells every correction.
func TestAStoryTellsACorrectedEntryOnce(t *testing.T) {
	d := entrytest.New(t)
	d.Begin()
	id := d.Foal()
	weighed := d.Must(&pb.PatientWeighed{Case: id, WeightG: 52_500, Method: pb.WeightMethod_WEIGHT_METHOD_SCALE})
	instead(d, weighed.Record, &pb.PatientWeighed{Case: id, WeightG: 48_000, Method: pb.WeightMethod_WEIGHT_METHOD_SCALE})
	instead(d, weighed.Record, &pb.PatientWeighed{Case: id, WeightG: 50_000, Method: pb.WeightMethod_WEIGHT_METHOD_SCALE})
	wrong := d.Must(&pb.PatientWeighed{Case: id, WeightG: 51_000, Method: pb.WeightMethod_WEIGHT_METHOD_SCALE})
	d.Must(&pb.Corrected{Original: wrong.Record, Void: true, Reason: "the other foal"})

	out, err := d.GetCase(t.Context(), &pb.GetCaseRequest{Case: id})
	require.NoError(t, err)
	require.Len(t, out.Timeline, 3, "the opening and the two weights")
	row := out.Timeline[1]
	require.Contains(t, row.What, "50")
	require.NotContains(t, row.What, "52.5")
	require.Contains(t, row.Was, "52.5")
	require.NotContains(t, row.Was, "scale", "what stands is not told as it was")
	require.Equal(t, "typed wrongly", row.Corrected.Reason)
	require.True(t, row.Correctable)
	require.True(t, out.Timeline[2].Corrected.Voided)
	require.Equal(t, 50.0, *out.WeightKg)

	full, err := d.GetRecord(t.Context(), &pb.GetRecordRequest{Record: weighed.Record})
	require.NoError(t, err)
	require.EqualValues(t, 52_500, full.Entry.GetPatientWeighed().WeightG)
	require.EqualValues(t, 50_000, full.Stands.GetPatientWeighed().WeightG)
	require.Len(t, full.Corrections, 2)
	require.Contains(t, full.Corrections[0].Before, "48")
	gone, err := d.GetRecord(t.Context(), &pb.GetRecordRequest{Record: wrong.Record})
	require.NoError(t, err)
	require.True(t, gone.Voided)
	require.Nil(t, gone.Stands)
}
