package ledger_test

import (
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/ledger/ledgertest"
	pb "thawtrail/proto/thawtrail/v1"
)

// fold folds an entity of a kind.
func fold[S ledger.State](t *testing.T, w *ledgertest.World, kind, id string) S {
	t.Helper()
	s, ok := ledgertest.Fold(event.Key{Kind: kind, ID: id}, w.Records()).(S)
	require.True(t, ok)
	return s
}

func TestKitIsASum(t *testing.T) {
	w := ledgertest.New(t)
	x, y := w.Device("x"), w.Device("y")
	set := pb.KitItem_KIT_ITEM_FILTERED_SET
	x.Write(&pb.KitStocked{Place: "car", Item: set, Count: 4, Lot: "L2", Expiry: "2027-01"})
	y.Write(&pb.KitStocked{Place: "car", Item: set, Count: 2, Lot: "L2", Expiry: "2027-01"})
	wrong := y.Write(&pb.KitUsed{Place: "car", Item: set, Count: 2})
	x.Write(&pb.KitCounted{Place: "car", Item: set, Counted: 3, Expected: 4})
	k := fold[*ledger.Kit](t, w, event.KindKit, event.KitID("car", set))
	require.Equal(t, int64(3), k.Sum)
	require.Equal(t, []ledger.KitLot{{Lot: "L2", Expiry: "2027-01", Count: 6}}, k.Lots)
	require.Equal(t, int32(3), k.LastCount.Counted)

	y.Correct(wrong, &pb.KitUsed{Place: "car", Item: set, Count: 1})
	require.Equal(t, int64(4), fold[*ledger.Kit](t, w, event.KindKit, event.KitID("car", set)).Sum)
}

func TestPlaceAndTemperature(t *testing.T) {
	w := ledgertest.New(t)
	x := w.Device("x")
	x.Write(&pb.PlaceAdded{Place: "P", Name: "north car", Kind: pb.PlaceKind_PLACE_KIND_VEHICLE_FREEZER, Vehicle: "V"})
	x.Write(&pb.PlaceWarm{Place: "P", From: &pb.Moment{UnixMs: 100}, To: &pb.Moment{UnixMs: 200}, MostDc: proto.Int32(-20)})
	x.Write(&pb.TemperatureRead{Place: "P", NowDc: -195, MostDc: proto.Int32(-170)})
	p := fold[*ledger.Place](t, w, event.KindPlace, "P")
	require.Equal(t, "north car", p.Name)
	for _, tt := range []struct {
		from, to int64
		want     bool
	}{{0, 99, false}, {0, 100, true}, {150, 160, true}, {200, 0, true}, {201, 0, false}, {0, 0, true}} {
		require.Equal(t, tt.want, p.Warm[0].Covers(tt.from, tt.to), "%v", tt)
	}
	m := fold[*ledger.Temperature](t, w, event.KindTemperature, "P/2026-11")
	require.Equal(t, int32(-195), m.Readings[0].NowDc)
	require.Equal(t, int32(-170), *m.Readings[0].MostDc)
}

func TestPracticeAndPeople(t *testing.T) {
	w := ledgertest.New(t)
	x := w.Device("x")
	w.Found(x)
	x.Write(&pb.PersonAdded{Person: "reed", Name: "J. Reed", Registration: "V77"})
	w.Grant(x, "reed", vet)
	x.Write(&pb.VehicleAdded{Vehicle: "V", Name: "north car", Registration: "AB12"})
	x.Write(&pb.DonorRecorded{Donor: "D", Name: "Bess", IggCgPerL: proto.Int32(1800)})
	x.Write(&pb.DonorRecorded{Donor: "D", Name: "Bess", AntibodyResult: pb.ScreenResult_SCREEN_RESULT_POSITIVE, AntibodyOn: "2026-11-02"})
	x.Write(&pb.ProtocolSet{Name: "foal", StartMin: proto.Int32(20)})
	x.Write(&pb.ProtocolSet{Name: "foal", StartMin: proto.Int32(25)})
	require.Equal(t, "AUD", fold[*ledger.Practice](t, w, event.KindPractice, "practice").Currency)
	require.Equal(t, "M. Alder", fold[*ledger.Person](t, w, event.KindPerson, "owner").Name)
	reed := fold[*ledger.Person](t, w, event.KindPerson, "reed")
	require.Equal(t, "V77", reed.Registration)
	require.Equal(t, []pb.Role{vet}, reed.Granted[0].Roles)
	require.Equal(t, "AB12", fold[*ledger.Vehicle](t, w, event.KindVehicle, "V").Registration)
	donor := fold[*ledger.Donor](t, w, event.KindDonor, "D")
	require.Equal(t, int32(1800), *donor.IggCgPerL, "a later screen leaves it as it was told")
	require.Equal(t, pb.ScreenResult_SCREEN_RESULT_POSITIVE, donor.AntibodyResult)
	protocol := fold[*ledger.Protocol](t, w, event.KindProtocol, "foal")
	require.Equal(t, int32(25), *protocol.Current().StartMin)
	require.Len(t, protocol.Versions, 2)
	r := ledgertest.Rights(w.Records())
	require.Len(t, r.Timeline, 4, "two logs, the founding, one grant")
	require.Empty(t, kindsOf(r))
}

// Two laptops tell of one mare; what is left empty stays, and a new date begins a season.
func TestMareIsToldInParts(t *testing.T) {
	w := ledgertest.New(t)
	x, y := w.Device("x"), w.Device("y")
	id := event.MareID("", "", "Quiet  Harbour", "K")
	require.Equal(t, id, event.MareID("", "", "QUIET HARBOUR", "K"))
	require.NotEqual(t, id, event.MareID("", "", "Quiet Harbour", "L"), "another client's mare of that name")
	x.Write(&pb.MareDue{Mare: id, Name: "Quiet Harbour", ServedOn: "2026-01-15", Breed: "thoroughbred", Client: "K"})
	ended := y.Write(&pb.MareDue{Mare: id, Name: "Quiet Harbour", Yard: "Hill Farm", Client: "K", NoLonger: pb.MareEnd_MARE_END_FOALED})
	m := fold[*ledger.Mare](t, w, event.KindMare, id)
	require.Equal(t, "2026-01-15", m.ServedOn)
	require.Equal(t, "Hill Farm", m.Yard)
	require.Equal(t, []string{ledger.TermMareOf("K")}, ledger.Terms(m), "she is awaited no longer")
	x.See(ended)
	x.Write(&pb.MareDue{Mare: id, Name: "Quiet Harbour", DueOn: "2027-11-02", Client: "K"})
	m = fold[*ledger.Mare](t, w, event.KindMare, id)
	require.Empty(t, m.ServedOn, "last season's")
	require.Len(t, ledger.Terms(m), 2, "and she is awaited again")
}

// An owner gives the practice another name and currency; what is left empty stays, and
// nobody else's word counts.
func TestPracticeChanges(t *testing.T) {
	w := ledgertest.New(t)
	x := w.Device("x")
	w.Found(x)
	x.Write(&pb.PracticeChanged{Practice: "practice", Name: "Hill Road Equine", Currency: "NZD", Reason: "merged"})
	p := fold[*ledger.Practice](t, w, event.KindPractice, "practice")
	require.Equal(t, "Hill Road Equine", p.Name)
	require.Equal(t, "NZD", p.Currency)
	require.Equal(t, "Australia/Sydney", p.Zone)
}

// A bag that came soft out of a cool box is a softened bag.
func TestCarriedSoft(t *testing.T) {
	w := ledgertest.New(t)
	x := w.Device("x")
	x.Write(received("car"))
	x.Write(&pb.BagsCarried{Bags: []string{"B1"}, Coolant: pb.Coolant_COOLANT_FROZEN_PACKS, Minutes: 90, Feel: pb.BagFeel_BAG_FEEL_HARD})
	require.Empty(t, foldBag(t, w).Softened)
	x.Write(&pb.BagsCarried{Bags: []string{"B1"}, Coolant: pb.Coolant_COOLANT_FROZEN_PACKS, Minutes: 300, Feel: pb.BagFeel_BAG_FEEL_SOFT})
	require.Len(t, foldBag(t, w).Softened, 1)
	x.Write(&pb.BagReturned{Bag: "B1", To: pb.ReturnTo_RETURN_TO_FREEZER, Place: "car"})
	require.Equal(t, []string{ledger.Refrozen}, kindsOf(foldBag(t, w)))
}

func TestClientStaysSealed(t *testing.T) {
	w := ledgertest.New(t)
	x := w.Device("x")
	x.Write(&pb.ClientAdded{Client: "K", Name: &pb.Sealed{KeyId: []byte{1}, Nonce: []byte{2}, Ciphertext: []byte{3}}})
	x.Write(&pb.NoteAdded{EntityKind: "client", Entity: "K", Text: &pb.Sealed{Ciphertext: []byte{4}}})
	x.Write(&pb.ClientForgotten{Client: "K", Reason: "asked for"})
	c := fold[*ledger.Client](t, w, event.KindClient, "K")
	require.Equal(t, []byte{3}, c.Name.Ciphertext)
	require.Nil(t, c.Telephone)
	require.Equal(t, []byte{4}, c.Notes[0].Text.Ciphertext)
	require.Equal(t, "asked for", c.Forgotten.Reason)
}

func TestBatchStock(t *testing.T) {
	w := ledgertest.New(t)
	x := w.Device("x")
	x.Write(received("car"))
	x.Write(found("car"))
	x.Write(&pb.ReactionNoted{Case: "C1", Signs: []string{"hives"}, Bag: "B1", Product: "plasma", Batch: "H2207", Grave: true})
	b := fold[*ledger.Batch](t, w, batchKey.Kind, batchKey.ID)
	require.Equal(t, []string{"B0", "B1"}, b.Stock[0].Bags)
	require.True(t, b.Stock[1].Found)
	require.True(t, b.Reactions[0].Grave)
	require.Equal(t, "H2207", b.Code)
}

func TestQuarantineDecided(t *testing.T) {
	w := ledgertest.New(t)
	x := w.Device("x")
	x.Write(received("car"))
	warm := x.Write(&pb.PlaceWarm{Place: "car", From: &pb.Moment{UnixMs: 100}})
	x.Write(&pb.QuarantineDecided{Bags: []string{"B1"}, Warm: warm.Hash.String(), Reason: "stayed solid"})
	b := foldBag(t, w)
	require.Equal(t, warm.Hash.String(), b.Decisions[0].Warm)
	require.True(t, b.InStock())
	x.Write(&pb.BagSoftened{Bag: "B1"})
	x.Write(&pb.BagKeptBack{Bag: "B1", Reason: "laboratory", Place: "fridge"})
	b = foldBag(t, w)
	require.Len(t, b.Softened, 1)
	require.Equal(t, ledger.EndKeptBack, b.Ended)
	require.Equal(t, "fridge", b.Place)
}

func TestReturnedToTheMaker(t *testing.T) {
	w := ledgertest.New(t)
	x := w.Device("x")
	x.Write(received("car"))
	x.Write(&pb.BagReturned{Bag: "B1", To: pb.ReturnTo_RETURN_TO_MAKER})
	require.Equal(t, ledger.EndReturned, foldBag(t, w).Ended)
	x.Write(counted("car", []string{"B1"}, nil))
	require.Equal(t, []string{ledger.CustodyBroken}, kindsOf(foldBag(t, w)))
	x.Write(found("car"))
	require.True(t, foldBag(t, w).InStock(), "who finds a bag brings it back into the stock")
}

func TestLogEpoch(t *testing.T) {
	w := ledgertest.New(t)
	x := w.Device("x")
	before := x.Tips()
	x.NewEpoch("restored")
	l := fold[*ledger.Log](t, w, event.KindLog, x.Log().String())
	require.Equal(t, uint32(1), l.Epoch)
	require.Equal(t, x.ID(), l.Device)
	require.Equal(t, before[0].Log, l.Predecessors[0].Log[:])
	require.Equal(t, "restored", l.Reason)
}

// Words about a client fold as they came: sealed, with the client under whose key they are,
// or in plain as in records of an older program; of a mare the last word stands.
func TestWordsAboutAClientFoldAsTheyCame(t *testing.T) {
	w := ledgertest.New(t)
	x := w.Device("x")
	words := func(n byte) *pb.Sealed {
		return &pb.Sealed{KeyId: []byte{n}, Nonce: []byte{n}, Ciphertext: []byte{n}}
	}
	x.Write(&pb.CaseOpened{Case: "C1", Kind: pb.PatientKind_PATIENT_KIND_HORSE, PatientName: "Sea Cove", Client: "K", YardSealed: words(1)})
	x.Write(&pb.EstimateAgreed{Case: "C1", CaseClient: "K", BySealed: words(2)})
	x.Write(&pb.ReferralOffered{Case: "C1", By: "G. Groom"})
	c := fold[*ledger.Case](t, w, event.KindCase, "C1")
	require.Equal(t, "K yard_sealed", c.Patient.YardSealed.Client+" "+c.Patient.YardSealed.Field)
	require.Equal(t, "K by_sealed", c.Estimates[0].BySealed.Client+" "+c.Estimates[0].BySealed.Field)
	require.Equal(t, "G. Groom", c.Referrals[0].By)
	require.Nil(t, c.Referrals[0].BySealed)
	require.Contains(t, ledger.Terms(c), ledger.TermSealedFor("K"))
	raw, err := ledger.Encode(c)
	require.NoError(t, err)
	again, err := ledger.Decode(event.KindCase, raw)
	require.NoError(t, err)
	require.Equal(t, c.Patient.YardSealed, again.(*ledger.Case).Patient.YardSealed)

	mare := event.MareID("985000000000001", "", "", "")
	x.Write(&pb.MareDue{Mare: mare, Name: "Quiet Harbour", Yard: "Hill Farm"})
	x.Write(&pb.MareDue{Mare: mare, Name: "Quiet Harbour", YardClient: "K", YardSealed: words(3)})
	x.Write(&pb.MareDue{Mare: mare, Name: "Quiet Harbour", Client: "K"})
	m := fold[*ledger.Mare](t, w, event.KindMare, mare)
	require.Empty(t, m.Yard, "the last word stands")
	require.Equal(t, []byte{3}, m.YardSealed.Words.KeyID)
}

// A start by an older program, which told an adult by name and yard, and one by this
// program of the same case are one patient's: what was given counts once.
func TestOneAdultOfTwoPrograms(t *testing.T) {
	w := ledgertest.New(t)
	x, y := w.Device("x"), w.Device("y")
	x.Write(received("car"))
	x.Write(started("C1", "name:SEA COVE/HILL ROAD", "car"))
	y.Write(started("C1", "client:K/SEA COVE", "car"))
	x.Write(ended("C1", "name:SEA COVE/HILL ROAD", 700))
	y.Write(ended("C1", "client:K/SEA COVE", 700))
	b := fold[*ledger.Bag](t, w, event.KindBag, "B1")
	require.Equal(t, int32(700), b.GivenMl)
	require.NotContains(t, kindsOf(b), ledger.GivenToTwoPatients)
	require.Contains(t, kindsOf(b), ledger.EnteredTwice)
}
