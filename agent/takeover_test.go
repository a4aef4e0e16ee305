package agent_test

import (
	"bytes"
	"crypto/rand"
	"errors"
	"io"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/bundle"
	pb "thawtrail/proto/thawtrail/v1"
)

// enter writes an entry in a person's name.
func (l *laptop) enter(author string, e *pb.Entry) *pb.WriteResponse {
	l.t.Helper()
	out, err := l.record.Write(l.t.Context(), &pb.WriteRequest{Author: author, Entry: e, Overrides: []*pb.Override{}})
	require.NoError(l.t, err)
	return out
}

func (l *laptop) now() *pb.GetNowResponse {
	l.t.Helper()
	out, err := pb.NewCaseServiceClient(l.conn).GetNow(l.t.Context(), &pb.GetNowRequest{})
	require.NoError(l.t, err)
	return out
}

func (l *laptop) sheetOf(id string) *pb.GetCaseResponse {
	l.t.Helper()
	out, err := pb.NewCaseServiceClient(l.conn).GetCase(l.t.Context(), &pb.GetCaseRequest{Case: id})
	require.NoError(l.t, err)
	return out
}

// vitalsDue says that the laptop watches a case.
func (l *laptop) vitalsDue(id string) bool {
	return slices.ContainsFunc(l.now().Due, func(d *pb.DueRow) bool { return d.Case == id && strings.HasPrefix(d.What, "vitals") })
}

// relay is a practice whose server cannot be reached: the first laptop has a bag
// running in a foal of which the second has never heard.
type relay struct {
	*clinic
	first, second *laptop
	id, bag       string
}

func newRelay(t *testing.T) *relay {
	c := newClinic(t)
	b := &relay{clinic: c, first: c.join("north", "J. Reed", pb.Role_ROLE_VET, pb.Role_ROLE_CLINIC)}
	b.second = c.join("south", "K. Low", pb.Role_ROLE_VET)
	eventually(t, "connected", func() bool { return b.first.state() == "connected" && b.second.state() == "connected" })
	c.same(b.first)
	reed := func(e *pb.Entry) *pb.WriteResponse { return b.first.enter("J. Reed", e) }
	reed(place("north freezer").Entry)
	reed(&pb.Entry{Body: &pb.Entry_ProductCard{ProductCard: &pb.ProductCard{Name: "Foal plasma", Maker: "Wattle Biologics", Route: pb.ProductRoute_PRODUCT_ROUTE_VEIN}}})
	b.bag = reed(&pb.Entry{Body: &pb.Entry_BagsReceived{BagsReceived: &pb.BagsReceived{
		Product: "Foal plasma", Batch: "H2207", Expiry: "2031-03", VolumeMl: 950, Count: 1, Place: "north freezer",
	}}}).Made[0]
	c.same(b.first)
	c.same(b.second)
	c.stop()
	b.id = reed(&pb.Entry{Body: &pb.Entry_CaseOpened{CaseOpened: &pb.CaseOpened{Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: "Quiet Harbour", Markings: "star"}}}).Made[0]
	reed(&pb.Entry{Body: &pb.Entry_PatientWeighed{PatientWeighed: &pb.PatientWeighed{Case: b.id, WeightG: 52_500, Method: pb.WeightMethod_WEIGHT_METHOD_SCALE}}})
	reed(&pb.Entry{Body: &pb.Entry_HangChecked{HangChecked: &pb.HangChecked{
		Case: b.id, Bag: b.bag, PatientConfirmed: true, SameBag: true, FullyThawed: true, ClearNoClots: true, WholeWhenSqueezed: true,
	}}})
	reed(&pb.Entry{Body: &pb.Entry_SetAttached{SetAttached: &pb.SetAttached{Bag: b.bag, Case: b.id}}})
	reed(&pb.Entry{Body: &pb.Entry_TransfusionStarted{TransfusionStarted: &pb.TransfusionStarted{Bag: b.bag, Case: b.id}}})
	reed(&pb.Entry{Body: &pb.Entry_RateSet{RateSet: &pb.RateSet{Case: b.id, MlPerH: 75, SlowStage: true}}})
	reed(&pb.Entry{Body: &pb.Entry_VitalsNoted{VitalsNoted: &pb.VitalsNoted{Case: b.id, HeartRate: proto.Int32(96), GivenMl: proto.Int32(25)}}})
	require.True(t, b.first.vitalsDue(b.id))
	_, err := pb.NewCaseServiceClient(b.second.conn).GetCase(t.Context(), &pb.GetCaseRequest{Case: b.id})
	require.Error(t, err)
	return b
}

// ends lets the second laptop finish what the first began, mends the link and
// looks that all agree.
func (b *relay) ends() {
	t := b.t
	t.Helper()
	require.True(t, b.second.vitalsDue(b.id), "the running sheet goes on at the second laptop")
	require.True(t, b.first.vitalsDue(b.id), "the first laptop does not know yet, and goes on watching")
	b.second.enter("K. Low", &pb.Entry{Body: &pb.Entry_VitalsNoted{VitalsNoted: &pb.VitalsNoted{Case: b.id, HeartRate: proto.Int32(100), GivenMl: proto.Int32(60)}}})
	require.EqualValues(t, 60, b.second.sheetOf(b.id).Transfusions[0].GivenMl)

	b.start(b.addr)
	eventually(t, "the first laptop knows", func() bool { return !b.first.vitalsDue(b.id) })
	row := b.first.now().Running[0]
	require.True(t, row.Elsewhere)
	require.Equal(t, "south", row.HeldBy)
	require.False(t, b.second.now().Running[0].Elsewhere)

	b.second.enter("K. Low", &pb.Entry{Body: &pb.Entry_Finished{Finished: &pb.TransfusionEnded{Case: b.id, Bag: b.bag, GivenMl: 940}}})
	eventually(t, "the end reaches the first laptop", func() bool { return b.first.sheetOf(b.id).Case.GivenMl == 940 })
	b.same(b.second)
	b.same(b.first)
	for _, l := range []*laptop{b.first, b.second} {
		s := l.sheetOf(b.id)
		require.Len(t, s.Transfusions, 1)
		require.EqualValues(t, 940, s.Transfusions[0].GivenMl)
		require.EqualValues(t, 940, s.Case.GivenMl)
		found, err := l.audit.ListDiscrepancies(t.Context(), &pb.ListDiscrepanciesRequest{})
		require.NoError(t, err)
		require.Empty(t, found.Discrepancies)
	}
}

// TestACaseIsTakenOverByFile carries all of it on a stick.
func TestACaseIsTakenOverByFile(t *testing.T) {
	b := newRelay(t)
	file, code := b.first.books(b.id)
	flipped := bytes.Clone(file)
	flipped[len(flipped)/2] ^= 1
	_, err := b.second.reads(flipped, code)
	require.ErrorContains(t, err, "damaged")
	_, err = pb.NewCaseServiceClient(b.second.conn).GetCase(t.Context(), &pb.GetCaseRequest{Case: b.id})
	require.Error(t, err, "no half case")
	_, err = b.second.reads(holed(t, file, code), code)
	require.ErrorContains(t, err, "are neither here nor in the file")
	_, err = pb.NewCaseServiceClient(b.second.conn).GetCase(t.Context(), &pb.GetCaseRequest{Case: b.id})
	require.Error(t, err, "a gap ends in words, not in half a case")
	read, err := b.second.reads(file, code)
	require.NoError(t, err)
	require.Equal(t, b.id, read.Case)
	require.Empty(t, read.Lacking)
	require.Positive(t, read.RecordsNew)
	b.second.enter("K. Low", &pb.Entry{Body: &pb.Entry_CaseAdopted{CaseAdopted: &pb.CaseAdopted{Case: b.id}}})
	require.Equal(t, "foal of Quiet Harbour (star)", b.second.sheetOf(b.id).Case.Patient)
	b.ends()

	// The same file again, after all is over, changes nothing and opens nothing.
	b.second.enter("K. Low", &pb.Entry{Body: &pb.Entry_CaseClosed{CaseClosed: &pb.CaseClosed{Case: b.id, Outcome: pb.Outcome_OUTCOME_WELL}}})
	read, err = b.second.reads(file, code)
	require.NoError(t, err)
	require.Zero(t, read.RecordsNew)
	_, err = b.second.record.Write(t.Context(), &pb.WriteRequest{Author: "K. Low", Entry: &pb.Entry{Body: &pb.Entry_CaseAdopted{CaseAdopted: &pb.CaseAdopted{Case: b.id}}}})
	require.ErrorContains(t, err, "closed here")
}

// holed writes a file anew without the newest log that is in it, as a laptop does
// that lost the log's beginning.
func holed(t *testing.T, file []byte, text string) []byte {
	t.Helper()
	code, err := bundle.ParseCode(text)
	require.NoError(t, err)
	r, err := bundle.NewReader(bytes.NewReader(file), code)
	require.NoError(t, err)
	i := slices.IndexFunc(r.Head.Logs, func(l *pb.CarriedLog) bool {
		return l.DeviceName == "north" && l.Held.Lane == pb.Lane_LANE_ORDINARY
	})
	require.GreaterOrEqual(t, i, 0)
	log := r.Head.Logs[i]
	log.From = log.Held.Tip.Seq + 1
	var out bytes.Buffer
	w, err := bundle.NewWriter(&out, code, rand.Reader, r.Head)
	require.NoError(t, err)
	for {
		keys, run, err := r.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		require.NoError(t, err)
		switch {
		case run == nil:
			require.NoError(t, w.Keys(keys))
		case !bytes.Equal(run.Log, log.Held.Tip.Log):
			require.NoError(t, w.Run(run))
		}
	}
	require.NoError(t, w.Close())
	return out.Bytes()
}

// TestACaseIsTakenOverByCode types it from one screen into the other.
func TestACaseIsTakenOverByCode(t *testing.T) {
	b := newRelay(t)
	shown, err := pb.NewCarryServiceClient(b.first.conn).ShowCode(t.Context(), &pb.ShowCodeRequest{Case: b.id})
	require.NoError(t, err)
	require.Len(t, shown.Rows, 4)
	carry := pb.NewCarryServiceClient(b.second.conn)
	req := &pb.TakeOverRequest{Code: strings.ToLower(strings.Join(shown.Rows, "\n")), Dam: "quiet harbour", Mark: "Star", Author: "K. Low", RequestId: "click", Look: true}
	looked, err := carry.TakeOver(t.Context(), req)
	require.NoError(t, err)
	require.Equal(t, shown.Says, looked.Says)
	require.Empty(t, looked.Record)
	slip := proto.CloneOf(req)
	slip.Dam = "Quiet Harbor"
	_, err = carry.TakeOver(t.Context(), slip)
	require.ErrorContains(t, err, "a letter of these words")
	req.Look = false
	taken, err := carry.TakeOver(t.Context(), req)
	require.NoError(t, err)
	again, err := carry.TakeOver(t.Context(), req)
	require.NoError(t, err)
	require.Equal(t, taken.Record, again.Record, "two clicks make one record")

	s := b.second.sheetOf(b.id)
	require.Contains(t, strings.ToLower(s.Case.Patient), "quiet harbour")
	require.Equal(t, "running", s.Case.State)
	require.EqualValues(t, 25, s.Case.GivenMl)
	require.EqualValues(t, 75, s.Transfusions[0].RateMlPerH)
	require.InDelta(t, 52.5, *s.WeightKg, 0.01)
	b.ends()
	require.Equal(t, "foal of Quiet Harbour (star)", b.second.sheetOf(b.id).Case.Patient, "the opening itself, since it came")
}

// TestTheBagThatRunsNow: the first bag is known to both laptops. Out of reach, the first
// one ends it and hangs another; the second one types the code.
func TestTheBagThatRunsNow(t *testing.T) {
	b := newRelay(t)
	b.start(b.addr)
	b.same(b.first)
	b.same(b.second)
	b.stop()
	require.True(t, b.second.sheetOf(b.id).Transfusions[0].Running)
	reed := func(e *pb.Entry) *pb.WriteResponse { return b.first.enter("J. Reed", e) }
	reed(&pb.Entry{Body: &pb.Entry_Finished{Finished: &pb.TransfusionEnded{Bag: b.bag, Case: b.id, GivenMl: 930}}})
	next := reed(&pb.Entry{Body: &pb.Entry_BagsReceived{BagsReceived: &pb.BagsReceived{
		Product: "Foal plasma", Batch: "H2208", Expiry: "2031-03", VolumeMl: 950, Count: 1, Place: "north freezer",
	}}}).Made[0]
	reed(&pb.Entry{Body: &pb.Entry_HangChecked{HangChecked: &pb.HangChecked{
		Case: b.id, Bag: next, PatientConfirmed: true, SameBag: true, FullyThawed: true, ClearNoClots: true, WholeWhenSqueezed: true,
	}}})
	reed(&pb.Entry{Body: &pb.Entry_TransfusionStarted{TransfusionStarted: &pb.TransfusionStarted{Bag: next, Case: b.id}}})
	reed(&pb.Entry{Body: &pb.Entry_VitalsNoted{VitalsNoted: &pb.VitalsNoted{
		Case: b.id, TemperatureDc: proto.Int32(384), HeartRate: proto.Int32(96), BreathingRate: proto.Int32(30), GivenMl: proto.Int32(20),
	}}})
	shown, err := pb.NewCarryServiceClient(b.first.conn).ShowCode(t.Context(), &pb.ShowCodeRequest{Case: b.id})
	require.NoError(t, err)
	_, err = pb.NewCarryServiceClient(b.second.conn).TakeOver(t.Context(), &pb.TakeOverRequest{Code: strings.Join(shown.Rows, " "), Dam: shown.Dam, Mark: shown.Mark, Author: "K. Low"})
	require.NoError(t, err)

	s := b.second.sheetOf(b.id)
	require.Len(t, s.Transfusions, 2)
	require.False(t, s.Transfusions[0].Running, "the first bag ended")
	require.True(t, s.Transfusions[0].EndedByCode)
	require.True(t, s.Transfusions[1].Running)
	require.EqualValues(t, 950, s.Case.GivenMl)
	require.True(t, slices.ContainsFunc(s.Vitals, func(v *pb.VitalsRow) bool { return v.GetTemperatureC() == 38.4 }), "the last vitals")

	b.start(b.addr)
	b.same(b.first)
	b.same(b.second)
	s = b.second.sheetOf(b.id)
	require.EqualValues(t, 930, s.Transfusions[0].GivenMl, "the end itself")
	require.False(t, s.Transfusions[0].EndedByCode)
	require.EqualValues(t, 950, s.Case.GivenMl)
}
