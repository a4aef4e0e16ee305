package ledger_test

import (
	"crypto/ed25519"
	"slices"
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
	vet    = pb.Role_ROLE_VET
	clinic = pb.Role_ROLE_CLINIC
	owner  = pb.Role_ROLE_OWNER
)

// practice is a founded practice: the founder's laptop and a car's.
type practice struct {
	*ledgertest.World
	home, car *ledgertest.Device
	founding  *event.Record
}

func newPractice(t *testing.T) *practice {
	w := ledgertest.New(t)
	p := &practice{World: w, home: w.Device("home"), car: w.Device("car")}
	p.founding = w.Found(p.home)
	w.Admit(p.home, p.car)
	return p
}

func (p *practice) standing(r *event.Record) ledger.Standing {
	return ledgertest.Rights(p.Records()).Standing(r)
}

func (p *practice) revoke(d *ledgertest.Device, cuts ...*pb.Tip) *event.Record {
	return p.home.Write(&pb.RightsRevoked{Device: d.ID(), Cuts: cuts, Reason: "stolen"})
}

var (
	clean       = ledger.Standing{In: true, Entitled: true}
	notEntitled = ledger.Standing{In: true}
)

func card() *pb.ProductCard {
	return &pb.ProductCard{Product: "plasma", Name: "Foal plasma", Maker: "Wattle", Route: pb.ProductRoute_PRODUCT_ROUTE_VEIN}
}

func TestAloneBeforeAnyPractice(t *testing.T) {
	w := ledgertest.New(t)
	x := w.Device("x")
	r := x.Write(card())
	require.Equal(t, clean, ledgertest.Rights(w.Records()).Standing(r))
	var none *ledger.Rights
	require.Equal(t, clean, none.Standing(r))
	require.True(t, ledger.Clean(none.Standing(r)))
}

// What the founder's laptop wrote before it founded the practice stays in state.
func TestBeforeTheFounding(t *testing.T) {
	w := ledgertest.New(t)
	x, stranger := w.Device("x"), w.Device("stranger")
	own := x.Write(card())
	urgent := x.Write(held())
	w.Found(x)
	later := x.Write(card(), ledgertest.By("somebody", nil))
	strange := stranger.Write(card())
	r := ledgertest.Rights(w.Records())
	require.Equal(t, clean, r.Standing(own))
	require.Equal(t, clean, r.Standing(urgent))
	require.Equal(t, notEntitled, r.Standing(later))
	require.False(t, r.Standing(strange).In)
}

func TestGrants(t *testing.T) {
	p := newPractice(t)
	reed := p.Grant(p.home, "reed", vet)
	p.car.See(reed)
	byReed := ledgertest.By("reed", reed)
	plan := &pb.PlanAccepted{Case: "C1", Plan: "dose", VolumeMl: 950}
	release := &pb.BatchReleased{Product: "plasma", Batch: "H2207", Hold: p.founding.Hash.String(), Reason: "x"}
	for _, tt := range []struct {
		name string
		body proto.Message
		opt  ledgertest.Option
		want ledger.Standing
	}{
		{"any grant will do for a fact", received("car"), byReed, clean},
		{"the role that is needed", plan, byReed, clean},
		{"another role than is needed", release, byReed, notEntitled},
		{"no grant", received("car"), ledgertest.By("reed", nil), notEntitled},
		{"another person's grant", plan, ledgertest.By("moss", reed), notEntitled},
		{"a record that is no grant", plan, ledgertest.By("reed", p.Records()[0]), notEntitled},
		{"the founder by the founding", release, ledgertest.By("owner", p.founding), clean},
		{"the founding, by another person", release, ledgertest.By("reed", p.founding), notEntitled},
		{"what the program writes needs no grant", &pb.Heard{Product: "plasma", Batch: "H2207"}, ledgertest.By("", nil), clean},
		{"a correction needs what it corrects needs", corrected(p.founding, release), byReed, notEntitled},
		{"a correction of a fact", corrected(p.founding, received("car")), byReed, clean},
	} {
		t.Run(tt.name, func(t *testing.T) {
			require.Equal(t, tt.want, p.standing(p.car.Write(tt.body, tt.opt)))
		})
	}
	r := ledgertest.Rights(p.Records())
	require.Equal(t, []pb.Role{vet}, r.Roles("reed"))
	g, ok := r.GrantFor("reed", []pb.Role{vet, owner})
	require.True(t, ok)
	require.Equal(t, reed.Hash, g)
	_, ok = r.GrantFor("reed", []pb.Role{clinic})
	require.False(t, ok)
}

func corrected(original *event.Record, to proto.Message) *pb.Corrected {
	c := &pb.Corrected{Original: original.Hash.String(), Type: 30}
	if _, ok := to.(*pb.BatchReleased); ok {
		c.Type = 51
	}
	c.Payload, _ = proto.Marshal(to)
	return c
}

// A grant that hangs on another grant falls with it.
func TestChainOfGrants(t *testing.T) {
	p := newPractice(t)
	moss := p.Grant(p.home, "moss", owner)
	p.car.See(moss)
	reed := p.car.Write(&pb.RoleGranted{Person: "reed", Roles: []pb.Role{vet}}, ledgertest.By("moss", moss))
	r := p.car.Write(card(), ledgertest.By("reed", reed))
	require.Equal(t, clean, p.standing(r))

	// Cut before the grant was used: what hangs on it falls.
	p.home.Write(&pb.RightsRevoked{Grant: moss.Hash.String(), Reason: "left"})
	require.Equal(t, notEntitled, p.standing(reed))
	require.Equal(t, notEntitled, p.standing(r))
	require.Empty(t, ledgertest.Rights(p.Records()).Roles("moss"))
}

// A grant ends at a named point of each log, never at a time.
func TestGrantCut(t *testing.T) {
	p := newPractice(t)
	reed := p.Grant(p.home, "reed", vet)
	p.car.See(reed)
	before := p.car.Write(card(), ledgertest.By("reed", reed))
	after := p.car.Write(card(), ledgertest.By("reed", reed))
	p.home.Write(&pb.RightsRevoked{Grant: reed.Hash.String(), Cuts: []*pb.Tip{ledgertest.TipOf(before)}, Reason: "left"})
	require.Equal(t, clean, p.standing(before))
	require.Equal(t, notEntitled, p.standing(after))
}

// Mutant: ignore a cut.
func TestDeviceCut(t *testing.T) {
	p := newPractice(t)
	reed := p.Grant(p.home, "reed", vet)
	p.car.SignsAs("reed", reed)
	p.car.See(reed)
	at := p.car.Write(received("car"))
	past := p.car.Write(moved("car", "freezer"))
	urgent := p.car.Write(held())
	later := p.car.Write(&pb.BagSoftened{Bag: "B1"})
	cut := p.revoke(p.car, ledgertest.TipOf(at))
	p.car.NewEpoch("thief")
	epoch := p.car.Write(&pb.BagSoftened{Bag: "B1"})
	require.True(t, p.standing(at).In)
	for _, out := range []*event.Record{past, urgent, later, epoch} {
		require.False(t, p.standing(out).In)
	}
	require.Equal(t, "car", foldBag(t, p.World).Place)

	// Of two cuts the lowest wins.
	p.home.See(cut)
	p.revoke(p.car, &pb.Tip{Log: at.Log[:], Seq: at.Seq() - 1})
	require.False(t, p.standing(at).In)

	// An admission written after the cuts lets in what it names.
	p.home.Write(&pb.LogAdmitted{Log: past.Log[:], Upto: ledgertest.TipOf(past), Reason: "recovered"})
	require.True(t, p.standing(past).In)
	require.False(t, p.standing(later).In)
	require.Equal(t, "freezer", foldBag(t, p.World).Place)
	p.home.Write(&pb.LogAdmitted{Log: past.Log[:], Reason: "all of it"})
	require.True(t, p.standing(later).In)
	require.False(t, p.standing(epoch).In)
	p.home.Write(&pb.LogAdmitted{Log: past.Log[:], Upto: ledgertest.TipOf(at), Reason: "no cut"})
	require.True(t, p.standing(later).In, "an admission takes nothing away")
}

// A branch of the log at the cut is not the record that the cut names.
func TestCutNamesTheRecord(t *testing.T) {
	p := newPractice(t)
	back := p.car.Fork()
	kept := p.car.Write(received("car"))
	back()
	branch := p.car.Write(moved("car", "freezer"))
	p.revoke(p.car, ledgertest.TipOf(kept))
	require.True(t, p.standing(kept).In)
	require.False(t, p.standing(branch).In)
}

func TestStrangersLog(t *testing.T) {
	p := newPractice(t)
	s := p.Device("stranger")
	r := s.Write(received("car"))
	require.False(t, p.standing(r).In)
	admit := func(by ledgertest.Option) {
		log := s.Log()
		p.home.Write(&pb.LogAdmitted{Log: log[:], Reason: "locum"}, by)
	}
	admit(ledgertest.By("reed", p.Grant(p.home, "reed", vet)))
	require.False(t, p.standing(r).In, "only owners admit")
	admit(ledgertest.By("owner", p.founding))
	require.Equal(t, notEntitled, p.standing(r))
	b := foldBag(t, p.World)
	require.Equal(t, "car", b.Place, "facts fold, marked")
	require.True(t, b.Timeline[0].Marks.Has(ledger.MarkNotEntitled))
}

// Of two owners who shut each other out, the one who wrote first does.
func TestMutualRevocation(t *testing.T) {
	p := newPractice(t)
	moss := p.Grant(p.home, "moss", owner)
	p.car.SignsAs("moss", moss)
	p.car.See(moss)
	p.Pass(time.Minute)
	p.revoke(p.car, p.car.Tips()...)
	home := p.home.Write(received("car"))
	car := p.car.Write(&pb.RightsRevoked{Device: p.home.ID(), Reason: "no, you"})
	require.True(t, p.standing(home).In)
	require.False(t, p.standing(car).In)
}

// A laptop that worked before it was added is in with all it wrote; a revocation
// by an owner whose own laptop is past its cut does nothing.
func TestLateRights(t *testing.T) {
	p := newPractice(t)
	late := p.Device("late")
	early := late.Write(received("car"))
	require.False(t, p.standing(early).In)
	p.Admit(p.home, late)
	require.True(t, p.standing(early).In)

	p.revoke(late, late.Tips()...)
	late.Write(&pb.RightsRevoked{Device: p.car.ID(), Reason: "thief"}, ledgertest.By("owner", p.founding))
	require.True(t, p.standing(p.car.Write(received("car"))).In)
}

// Decisions without the right stay out of state, and say so.
func TestDecisionWithoutTheRight(t *testing.T) {
	p := newPractice(t)
	moss := p.Grant(p.home, "moss", pb.Role_ROLE_ASSISTANT)
	p.car.See(moss)
	byMoss := ledgertest.By("moss", moss)
	good := p.home.Write(card())
	bad := card()
	bad.Maker = "Forged"
	p.car.See(good)
	p.car.Write(bad, byMoss)
	p.car.Correct(good, bad, byMoss)
	p.car.Correct(good, nil, byMoss)
	moss3 := p.car.Write(&pb.BagDiscarded{Bag: "B1"}, byMoss)
	p.car.Correct(good, &pb.BagDiscarded{Bag: "B9"}, byMoss) // not by way of a fact either
	p.car.Correct(moss3, bad, byMoss)
	pr := ledgertest.Fold(event.Key{Kind: event.KindProduct, ID: "plasma"}, p.Records()).(*ledger.Product)
	require.Equal(t, "Wattle", pr.Card().Maker)
	require.Len(t, pr.Cards, 1)
	require.Equal(t, []string{ledger.NotEntitled}, kindsOf(pr))
	require.Len(t, pr.Found[0].Evidence, 3)
	require.Equal(t, ledger.EndDiscarded, foldBag(t, p.World).Ended, "a fact does not turn into a decision")
}

// A fact without the right folds, marked, and is said once: on its primary entity.
func TestFactWithoutTheRight(t *testing.T) {
	p := newPractice(t)
	p.home.Write(received("freezer"))
	p.car.Write(&pb.BagsMoved{Bags: []string{"B0", "B1"}, ToPlace: "car", FromPlaces: []string{"freezer", "freezer"}}, ledgertest.By("reed", nil))
	require.Equal(t, []string{ledger.NotEntitled}, kindsOf(ledgertest.Fold(event.Key{Kind: event.KindBag, ID: "B0"}, p.Records())))
	b := foldBag(t, p.World)
	require.Empty(t, kindsOf(b))
	require.Equal(t, "car", b.Place)
	require.True(t, b.Timeline[1].Marks.Has(ledger.MarkNotEntitled))
}

// A hold may be placed by anyone; a release by a vet who is not of the clinic
// frees nothing.
func TestReleaseWithoutTheRight(t *testing.T) {
	p := newPractice(t)
	reed := p.Grant(p.home, "reed", vet)
	p.car.SignsAs("reed", reed)
	p.car.See(reed)
	h := p.car.Write(held())
	p.car.Write(&pb.BatchReleased{Product: "plasma", Batch: "H2207", Hold: h.Hash.String(), Reason: "looks fine"})
	b := ledgertest.Fold(batchKey, p.Records()).(*ledger.Batch)
	require.Len(t, b.Standing(), 1)
	require.Equal(t, []string{ledger.NotEntitled}, kindsOf(b))
}

// An admission may come before the log that it names.
func TestAdmittedBeforeItsOpening(t *testing.T) {
	p := newPractice(t)
	s := p.Device("stranger")
	first := s.Write(received("car"))
	second := s.Write(moved("car", "freezer"))
	p.home.Write(&pb.LogAdmitted{Log: first.Log[:], Upto: ledgertest.TipOf(first), Reason: "locum"})
	held := slices.DeleteFunc(p.Records(), func(r *event.Record) bool { return r.Head.Type == event.TypeLogOpened && r.Log == first.Log })
	r := ledgertest.Rights(held)
	require.True(t, r.Standing(first).In)
	require.False(t, r.Standing(second).In)
	require.Equal(t, ledgertest.Rights(p.Records()).Standing(first), r.Standing(first))
}

// What only looks like rights is passed over.
func TestBrokenRights(t *testing.T) {
	p := newPractice(t)
	for _, body := range []proto.Message{
		&pb.RightsRevoked{Grant: "no hash", Reason: "x"}, &pb.RightsRevoked{Reason: "x"},
		&pb.RightsRevoked{Device: []byte{1}, Reason: "x"}, &pb.LogAdmitted{Log: []byte{1}, Reason: "x"},
		&pb.DeviceAdded{}, &pb.RoleGranted{Person: "reed"},
	} {
		p.home.Write(body)
	}
	require.Equal(t, clean, p.standing(p.home.Write(card())))
	require.Empty(t, ledgertest.Rights(p.Records()).Roles("reed"))
}

// TestARestoredServerIsLetInByTheAuthority: no record of anybody in the books lets
// the new server in, only the key that the founding names.
func TestARestoredServerIsLetInByTheAuthority(t *testing.T) {
	root := authority()
	w := ledgertest.New(t)
	home, next, stranger, car := w.Device("home"), w.Device("next"), w.Device("stranger"), w.Device("car")
	founding := w.Found(home, func(p *pb.PracticeFounded) { p.Authority = root.Public().(ed25519.PublicKey) })
	claim := func(d *ledgertest.Device, key ed25519.PrivateKey, of event.Hash) *pb.ServerRestored {
		return &pb.ServerRestored{PublicKey: d.Public(), Name: d.Name, Signature: ed25519.Sign(key, ledger.ServerClaim(of, d.Public()))}
	}
	rights := func() *ledger.Rights { return ledgertest.Rights(w.Records()) }

	stranger.Write(claim(stranger, stranger.Key, founding.Hash))
	require.False(t, rights().Admits(stranger.ID()), "signed by itself")
	stranger.Write(claim(stranger, root, event.Hash{1}))
	require.False(t, rights().Admits(stranger.ID()), "for another founding")
	stranger.Write(claim(next, root, founding.Hash))
	require.False(t, rights().Admits(stranger.ID()), "for another device")
	require.False(t, rights().Admits(next.ID()), "and not in its own log")

	restored := next.Write(claim(next, root, founding.Hash))
	require.Equal(t, clean, rights().Standing(restored))
	require.True(t, rights().Admits(next.ID()))
	require.True(t, rights().WasServer(next.ID()))
	require.True(t, rights().WasServer(home.ID()))
	require.False(t, rights().WasServer(stranger.ID()))

	// It does what a server does, in the owner's name: lets in, and shuts out also
	// the one that it replaced.
	in := next.Write(&pb.DeviceAdded{Device: car.ID(), PublicKey: car.Public(), Name: "car"}, ledgertest.By("owner", founding))
	require.Equal(t, clean, rights().Standing(in))
	require.True(t, rights().Admits(car.ID()))
	next.Write(&pb.RightsRevoked{Device: home.ID(), Cuts: home.Tips(), Reason: "replaced"}, ledgertest.By("owner", founding))
	require.False(t, rights().Admits(home.ID()))
	require.True(t, rights().Founded())
	require.True(t, rights().Admits(next.ID()))

	// A practice of one names no authority, so nobody can step into its place.
	alone := ledgertest.New(t)
	one, two := alone.Device("one"), alone.Device("two")
	f := alone.Found(one)
	two.Write(claim(two, root, f.Hash))
	require.False(t, ledgertest.Rights(alone.Records()).Admits(two.ID()))
}
