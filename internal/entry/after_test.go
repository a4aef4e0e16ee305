package entry_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/entry/entrytest"
	pb "thawtrail/proto/thawtrail/v1"
)

// afterwards is a night up to the end of its bag: 950 mL accepted.
type afterwards struct {
	*entrytest.Laptop
	id  string
	bag string
}

func newAfterwards(t *testing.T, givenMl int32) *afterwards {
	d := entrytest.New(t)
	bags := d.Begin()
	x := &afterwards{d, d.Foal(), bags[0]}
	d.Must(&pb.PatientWeighed{Case: x.id, WeightG: 50_000, Method: pb.WeightMethod_WEIGHT_METHOD_SCALE})
	d.Must(&pb.PlanAccepted{Case: x.id, Plan: "dose", VolumeMl: 950, Bags: bags[:1]})
	d.Ready(x.id, x.bag)
	d.Must(&pb.TransfusionStarted{Case: x.id, Bag: x.bag})
	d.Clock.Advance(10 * time.Minute)
	d.Must(&pb.TransfusionEnded{Case: x.id, Bag: x.bag, GivenMl: givenMl, Reason: "as noted"})
	return x
}

// due are the rows of the list of what is due that have some words in them.
func (x *afterwards) due(words string) (rows []*pb.DueRow) {
	x.T.Helper()
	now, err := x.GetNow(x.T.Context(), &pb.GetNowRequest{})
	require.NoError(x.T, err)
	for _, r := range now.Due {
		if r.Case == x.id && strings.Contains(r.What, words) {
			rows = append(rows, r)
		}
	}
	return rows
}

func (x *afterwards) next() string {
	x.T.Helper()
	out, err := x.GetCase(x.T.Context(), &pb.GetCaseRequest{Case: x.id})
	require.NoError(x.T, err)
	return out.NextStep
}

func (x *afterwards) look() *pb.VitalsNoted {
	return &pb.VitalsNoted{Case: x.id, TemperatureDc: proto.Int32(383), HeartRate: proto.Int32(96), BreathingRate: proto.Int32(32)}
}

// After 20 of 950 mL the next step is the rest of the dose, not the recheck; it stays due
// until it is given or somebody says why not.
func TestAfterAPartTheNextBagIsDue(t *testing.T) {
	x := newAfterwards(t, 20)
	require.Contains(t, x.next(), "20 of the 950 mL accepted are given: the next bag with its slow start")
	rows := x.due("next bag")
	require.Len(t, rows, 1)
	require.Contains(t, rows[0].What, "by M. Alder", "a named person")
	field, _ := x.Refused(&pb.FollowUpNoted{Case: x.id, What: pb.FollowUp_FOLLOW_UP_NEXT_BAG})
	require.Equal(t, "person", field)
	x.Must(&pb.FollowUpNoted{Case: x.id, What: pb.FollowUp_FOLLOW_UP_NEXT_BAG, Reason: "the vet stops here"})
	require.Empty(t, x.due("next bag"))
	require.Contains(t, x.next(), "plan the recheck")

	whole := newAfterwards(t, 940)
	require.Empty(t, whole.due("next bag"))
	require.Contains(t, whole.next(), "plan the recheck")
}

// The rest of a bag is due with the bag's clock, until it is decided on.
func TestTheRestOfABagIsDue(t *testing.T) {
	x := newAfterwards(t, 320)
	rows := x.due("rest of bag")
	require.Len(t, rows, 1)
	require.Contains(t, rows[0].What, "630 mL")
	require.Equal(t, 3*time.Hour+50*time.Minute, dueAt(t, rows[0]).Sub(x.Clock.Now()), "four hours from the start")
	x.Must(&pb.BagDiscarded{Bag: x.bag, Reason: pb.DiscardReason_DISCARD_REASON_REST_OF_BAG})
	require.Empty(t, x.due("rest of bag"))
	require.Empty(t, newAfterwards(t, 930).due("rest of bag"), "what stays in bag and set")
}

func dueAt(t *testing.T, row *pb.DueRow) time.Time {
	at, err := time.Parse(time.RFC3339, row.At)
	require.NoError(t, err)
	return at
}

// One set 30 min after the end.
func TestVitalsAfterTheEndAreDue(t *testing.T) {
	x := newAfterwards(t, 950)
	rows := x.due("30 min after the end")
	require.Len(t, rows, 1)
	require.Equal(t, 30*time.Minute, dueAt(t, rows[0]).Sub(x.Clock.Now()))
	x.Clock.Advance(5 * time.Minute)
	x.Must(x.look())
	require.Len(t, x.due("30 min after the end"), 1, "too early to be that one")
	x.Clock.Advance(35 * time.Minute)
	require.True(t, x.due("30 min after the end")[0].Overdue)
	require.Contains(t, x.next(), "vitals 30 min after the end")
	x.Must(&pb.VitalsNoted{Case: x.id, HeartRate: proto.Int32(96)})
	require.Len(t, x.due("30 min after the end"), 1, "a part of a set is none")
	x.Must(x.look())
	require.Empty(t, x.due("30 min after the end"))
}

// After a reaction the patient is watched: looks each hour for four, by whoever took over.
func TestAfterAReactionThePatientIsWatched(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	x := &afterwards{d, d.Foal(), bags[0]}
	low := d.Must(&pb.PersonAdded{Name: "K. Low"}).Made[0]
	author := func(m *pb.Entry) *pb.WriteResponse {
		out, err := d.Write(t.Context(), &pb.WriteRequest{Author: "M. Alder", Entry: m})
		require.NoError(t, err)
		return out
	}
	write := func(m proto.Message) *pb.WriteResponse { return author(d.Entry(m)) }
	write(&pb.HangChecked{Case: x.id, Bag: x.bag, PatientConfirmed: true, SameBag: true, FullyThawed: true, ClearNoClots: true, WholeWhenSqueezed: true})
	write(&pb.TransfusionStarted{Case: x.id, Bag: x.bag})
	d.Clock.Advance(12 * time.Minute)
	write(&pb.ReactionNoted{Case: x.id, Signs: []string{"hives"}})
	write(&pb.TransfusionEnded{Case: x.id, Bag: x.bag, GivenMl: 40, Reason: "hives"})
	write(&pb.HandedOver{Case: x.id, ToPerson: low})
	for hour := 1; hour <= 4; hour++ {
		rows := x.due("watch after the reaction")
		require.Len(t, rows, 1, "hour %d", hour)
		require.Equal(t, time.Hour, dueAt(t, rows[0]).Sub(d.Clock.Now()))
		require.Contains(t, rows[0].What, "by K. Low")
		d.Clock.Advance(time.Hour)
		write(x.look())
	}
	require.Empty(t, x.due("watch after the reaction"))
}

// A drug with a time to repeat is told at that time, until it was given again.
func TestADrugToRepeatIsDue(t *testing.T) {
	x := newAfterwards(t, 950)
	give := &pb.DrugGiven{Case: x.id, Drug: "adrenaline", DoseUg: 500, StrengthUgPerMl: 1000, Route: "vein", RepeatMin: proto.Int32(5)}
	x.Must(give)
	rows := x.due("adrenaline may be given again")
	require.Len(t, rows, 1)
	require.Equal(t, 5*time.Minute, dueAt(t, rows[0]).Sub(x.Clock.Now()))
	give.RepeatMin = nil
	x.Clock.Advance(6 * time.Minute)
	x.Must(give)
	require.Empty(t, x.due("adrenaline"))
}

// A reaction is described afterwards, and stands in the list of cases.
func TestAReactionIsDescribedAfterwards(t *testing.T) {
	x := newAfterwards(t, 950)
	reaction := func() string {
		out, err := x.ListCases(t.Context(), &pb.ListCasesRequest{})
		require.NoError(t, err)
		i := slices.IndexFunc(out.Cases, func(c *pb.CaseRow) bool { return c.Case == x.id })
		return out.Cases[i].Reaction
	}
	require.Empty(t, reaction())
	x.Must(&pb.ReactionNoted{Case: x.id, Signs: []string{"hives"}})
	require.Equal(t, "reaction", reaction())
	out := x.Must(&pb.ReactionDescribed{
		Case: x.id, Kind: pb.ReactionKind_REACTION_KIND_ALLERGIC, Grade: pb.ReactionGrade_REACTION_GRADE_MODERATE, OnsetMl: proto.Int32(40), CheckedBy: "K. Low", Course: "gone in an hour",
	})
	require.Equal(t, "reaction: allergic, moderate", reaction())
	require.Contains(t, out.Text, "10 min", "the onset is reckoned from the start")
}
