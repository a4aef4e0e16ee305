package ledger_test

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/ledger/ledgertest"
	pb "thawtrail/proto/thawtrail/v1"
)

// alone is a laptop that was a practice of one, before and after it joined.
type alone struct {
	*practice
	laptop         *ledgertest.Device
	own            *event.Record // its own founding
	before, within *event.Record // decisions before and under it
}

// newAlone founds the practice of one first, so that it lies earlier in written
// order than the practice which it joins.
func newAlone(t *testing.T) *alone {
	w := ledgertest.New(t)
	a := &alone{laptop: w.Device("north")}
	a.before = a.laptop.Write(card())
	a.own = a.laptop.Write(&pb.PracticeFounded{Practice: "one", Name: "One", Zone: ledgertest.Zone, Currency: "AUD", Owner: "solo", OwnerName: "Solo"})
	a.within = a.laptop.Write(card(), ledgertest.By("solo", a.own))
	a.practice = &practice{World: w, home: w.Device("home"), car: w.Device("car")}
	a.founding = w.Found(a.home)
	return a
}

// rights folds as replicas do that joined the practice of home.
func (a *alone) rights() *ledger.Rights {
	var in []ledger.Input
	for _, r := range a.Records() {
		if slices.Contains(r.Touches(), event.RightsKey) {
			p, err := r.Payload()
			if err != nil {
				panic(err)
			}
			in = append(in, ledger.Input{Rec: r, Payload: p, Foreign: r.Head.Type == event.TypePracticeFounded && r.Hash != a.founding.Hash})
		}
	}
	return ledger.FoldRights(in)
}

// join lets the laptop in with its logs as they are.
func (a *alone) join() {
	tips := a.laptop.Tips()
	a.Admit(a.home, a.laptop)
	for _, t := range tips {
		a.home.Write(&pb.LogAdmitted{Log: t.Log, Upto: t, Reason: "joined", Joined: true})
	}
}

// The founding that counts is the one that was joined, however early another
// one was written, or says it was.
func TestAnEarlierFoundingDoesNotTakeOver(t *testing.T) {
	a := newAlone(t)
	a.Admit(a.home, a.laptop)
	r := a.rights()
	require.Equal(t, a.founding.Hash, r.Founding.Record)
	require.Empty(t, r.Roles("solo"))
	require.Equal(t, notEntitled, r.Standing(a.within), "a laptop that was added without its logs being let in")
	forged := a.laptop.Write(&pb.RoleGranted{Person: "solo", Roles: []pb.Role{owner}}, ledgertest.By("solo", a.own))
	require.Equal(t, notEntitled, a.rights().Standing(forged))
	require.Empty(t, a.rights().Roles("solo"))

	// Before the founding record has come, nothing else takes its place.
	require.False(t, ledger.FoldRights([]ledger.Input{{Rec: a.own, Payload: &pb.PracticeFounded{}, Foreign: true}}).Founded())
}

func TestAPracticeOfOneJoinsWithItsLogs(t *testing.T) {
	a := newAlone(t)
	early := a.laptop.Write(&pb.RoleGranted{Person: "helper", Roles: []pb.Role{vet}}, ledgertest.By("solo", a.own))
	a.join()
	late := a.laptop.Write(card(), ledgertest.By("solo", a.own))
	stranger := a.laptop.Write(card(), ledgertest.By("somebody", a.own))
	r := a.rights()
	require.Equal(t, clean, r.Standing(a.before))
	require.Equal(t, clean, r.Standing(a.within))
	require.Equal(t, clean, r.Standing(a.own))
	require.Equal(t, notEntitled, r.Standing(early), "rights of the practice of one give none here")
	require.Empty(t, r.Roles("helper"))
	require.Equal(t, notEntitled, r.Standing(late), "after it joined, only rights of this practice count")
	require.Equal(t, notEntitled, r.Standing(stranger))
}

// A revoked laptop that forged a founding before its cut gains nothing when an
// owner lets its late records in.
func TestAnAdmissionOfLateRecordsVouchesForNoFounding(t *testing.T) {
	a := newAlone(t)
	a.Admit(a.home, a.car)
	cut := a.car.Tips()
	forged := a.car.Write(&pb.PracticeFounded{Practice: "two", Name: "Two", Zone: ledgertest.Zone, Currency: "AUD", Owner: "thief", OwnerName: "T"})
	bad := a.car.Write(card(), ledgertest.By("thief", forged))
	a.revoke(a.car, cut...)
	require.False(t, a.rights().Standing(bad).In)
	require.False(t, a.rights().Admits(a.car.ID()))
	tip := ledgertest.TipOf(bad)
	a.home.Write(&pb.LogAdmitted{Log: tip.Log, Upto: tip, Reason: "written before it was stolen"})
	require.Equal(t, notEntitled, a.rights().Standing(bad))
}

func TestAShutOutLaptopStaysOut(t *testing.T) {
	p := newPractice(t)
	require.True(t, ledgertest.Rights(p.Records()).Admits(p.car.ID()))
	p.revoke(p.car)
	p.Admit(p.home, p.car)
	r := ledgertest.Rights(p.Records())
	require.True(t, r.HasDevice(p.car.ID()))
	require.False(t, r.Admits(p.car.ID()))
	require.True(t, r.Admits(p.home.ID()))
}
