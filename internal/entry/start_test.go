package entry_test

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// binding is a start that is tried: what was done before it, and the code of what
// stands against it; empty when nothing does.
type binding struct {
	name   string
	before func(d *entrytest.Laptop, id, other string, bags []string)
	code   string
	says   string
}

// twin opens a case on another foal.
func another(d *entrytest.Laptop) string {
	return d.Must(&pb.CaseOpened{Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: "Slate", ClockChecked: true}).Made[0]
}

var bindings = []binding{
	{"all in order", func(d *entrytest.Laptop, id, _ string, bags []string) { d.Ready(id, bags[0]) }, "", ""},
	{"not checked", func(d *entrytest.Laptop, _, _ string, bags []string) {
		d.Must(&pb.BagThawed{Bag: bags[0]})
	}, "start_not_checked", "batch H-2207"},
	{"checked for another patient", func(d *entrytest.Laptop, _, other string, bags []string) { d.Ready(other, bags[0]) }, "start_not_checked", "for this patient"},
	{"another bag was checked", func(d *entrytest.Laptop, id, _ string, bags []string) { d.Ready(id, bags[1]) }, "start_not_checked", "for this patient"},
	{"the check left points open", func(d *entrytest.Laptop, id, _ string, bags []string) {
		d.Must(&pb.HangChecked{Case: id, Bag: bags[0], FullyThawed: true, SameBag: true, ClearNoClots: true, WholeWhenSqueezed: true, Text: "dark"})
	}, "start_check_open", "patient confirmed"},
	{"not thawed", func(d *entrytest.Laptop, id, _ string, bags []string) {
		d.Must(&pb.ThawStarted{Bag: bags[0], Case: id, BathDc: proto.Int32(360)})
		d.Must(&pb.HangChecked{Case: id, Bag: bags[0], PatientConfirmed: true, SameBag: true, ClearNoClots: true, WholeWhenSqueezed: true})
	}, "start_not_thawed", "thawed"},
	{"on hold", func(d *entrytest.Laptop, id, _ string, bags []string) {
		d.Ready(id, bags[0])
		d.Must(&pb.BatchHeld{Product: "Foal plasma", Batch: "h2207", Reason: "the maker called"})
	}, "start_bag_not_fit", "the maker called"},
	{"discarded", func(d *entrytest.Laptop, id, _ string, bags []string) {
		d.Ready(id, bags[0])
		d.Must(&pb.BagDiscarded{Bag: bags[0], Reason: pb.DiscardReason_DISCARD_REASON_BROKEN})
	}, "start_bag_gone", "discarded"},
	{"hangs at another patient", func(d *entrytest.Laptop, id, other string, bags []string) {
		d.Ready(other, bags[0])
		d.Must(&pb.TransfusionStarted{Bag: bags[0], Case: other})
		d.Ready(id, bags[0])
	}, "start_bag_elsewhere", "Slate"},
	{"was given to another patient", func(d *entrytest.Laptop, id, other string, bags []string) {
		d.Ready(other, bags[0])
		d.Must(&pb.TransfusionStarted{Bag: bags[0], Case: other})
		d.Must(&pb.TransfusionEnded{Bag: bags[0], Case: other, GivenMl: 400})
		d.Ready(id, bags[0])
	}, "start_bag_elsewhere", "400 mL"},
	{"the set was attached for another patient", func(d *entrytest.Laptop, id, other string, bags []string) {
		d.Must(&pb.SetAttached{Bag: bags[0], Case: other})
		d.Ready(id, bags[0])
	}, "start_set_elsewhere", "Slate"},
	{"another bag runs here", func(d *entrytest.Laptop, id, _ string, bags []string) {
		d.Ready(id, bags[1])
		d.Must(&pb.TransfusionStarted{Bag: bags[1], Case: id})
		d.Ready(id, bags[0])
	}, "start_other_bag_runs", "still runs"},
	{"it runs already", func(d *entrytest.Laptop, id, _ string, bags []string) {
		d.Ready(id, bags[0])
		d.Must(&pb.TransfusionStarted{Bag: bags[0], Case: id})
	}, "start_runs_already", "since"},
}

// What is planned is stopped until a reason is given, which the record keeps; what
// is typed as having happened is recorded, and each skipped step is a mark that is
// counted.
func TestStartBinds(t *testing.T) {
	for _, c := range bindings {
		t.Run(c.name, func(t *testing.T) {
			d := entrytest.New(t)
			bags := d.Begin()
			id := d.Foal()
			other := another(d)
			c.before(d, id, other, bags)
			start := &pb.TransfusionStarted{Bag: bags[0], Case: id}
			if c.code == "" {
				require.NotContains(t, codesOf(d.Must(start)), "start_not_checked")
				return
			}
			field, text := d.Refused(start)
			require.Equal(t, "override", field)
			require.Contains(t, text, c.code)
			require.Contains(t, text, c.says)
			d.Clock.Advance(10 * time.Minute)
			out, err := d.Write(t.Context(), &pb.WriteRequest{Entry: d.Entry(start), OccurredAt: &pb.Moment{
				UnixMs: d.Clock.Now().Add(-5 * time.Minute).UnixMilli(), Source: pb.TimeSource_TIME_SOURCE_TYPED,
			}})
			require.NoError(t, err, "what has happened is recorded")
			require.Contains(t, codesOf(out), c.code)
			rows, err := d.ListOverrides(t.Context(), &pb.ListOverridesRequest{})
			require.NoError(t, err)
			counted := map[string]int32{}
			for _, r := range rows.Rows {
				counted[r.Code] += r.Times
			}
			require.EqualValues(t, 1, counted[c.code], "%v", rows.Rows)
		})
	}
}

// A reason lets what is planned go on.
func TestStartWithAReason(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	id := d.Foal()
	d.Must(&pb.BagThawed{Bag: bags[0]})
	_, err := d.Write(t.Context(), &pb.WriteRequest{Entry: d.Entry(&pb.TransfusionStarted{Bag: bags[0], Case: id}),
		Overrides: []*pb.Override{{Code: "start_not_checked", Reason: "checked on paper"}}})
	require.NoError(t, err)
}

// Finishing what was never started asks; stopping never does.
func TestFinishOfWhatNeverStartedAsks(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	id := d.Foal()
	finished := d.Named("finished", &pb.TransfusionEnded{Bag: bags[0], Case: id, GivenMl: 400})
	_, err := d.Write(t.Context(), &pb.WriteRequest{Entry: finished})
	ref, ok := refusal.As(err)
	require.True(t, ok, "%v", err)
	require.Contains(t, ref.Error(), "finish_not_started")
	require.Contains(t, ref.Error(), "H-2207")
	_, err = d.Write(t.Context(), &pb.WriteRequest{Entry: d.Named("stopped", &pb.TransfusionEnded{Bag: bags[1], Case: id, GivenMl: 40, Reason: "hives"})})
	require.NoError(t, err, "nothing that is asked may delay stopping")
	d.Ready(id, bags[0])
	d.Must(&pb.TransfusionStarted{Bag: bags[0], Case: id})
	_, err = d.Write(t.Context(), &pb.WriteRequest{Entry: finished})
	require.NoError(t, err)
}

// Volume and bags of a plan agree, or it is refused; the caution is about what is
// accepted.
func TestAcceptedVolumeAndBagsAgree(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	id := d.Foal()
	d.Must(&pb.PatientWeighed{Case: id, WeightG: 24_000, Method: pb.WeightMethod_WEIGHT_METHOD_SCALE})
	plan := func(ml int32, of ...string) *pb.PlanAccepted {
		return &pb.PlanAccepted{Case: id, Plan: "dose", VolumeMl: ml, Bags: of}
	}
	field, text := d.Refused(plan(1000, bags[0]))
	require.Equal(t, "volume_ml", field)
	require.Contains(t, text, "950")
	field, text = d.Refused(plan(320, bags[0], bags[1]))
	require.Equal(t, "bags", field)
	require.Contains(t, text, "320 mL")
	require.Empty(t, d.Must(plan(320, bags[0])).Cautions)
	require.Contains(t, codesOf(d.Must(plan(1100, bags[0], bags[1]))), "volume_24h_over_40")
	_, text = d.Refused(plan(1500, bags[0], bags[1]))
	require.Contains(t, text, "volume_24h_over_60")
	agreed := func(second string) error {
		_, err := d.Write(t.Context(), &pb.WriteRequest{Entry: d.Entry(plan(1500, bags[0], bags[1])), Overrides: []*pb.Override{
			{Code: "volume_24h_over_60", Reason: "lost half of it", Second: second},
		}})
		return err
	}
	require.ErrorContains(t, agreed(""), "a second person")
	require.ErrorContains(t, agreed("M. ALDER"), "not the author")
	require.NoError(t, agreed("J. Reed, by telephone"))
}

// TestAStopIsRecordedWhateverItsNumber: it has happened. The slip is told and stays a
// discrepancy until somebody corrects it; a finish with the same slip is asked again.
func TestAStopIsRecordedWhateverItsNumber(t *testing.T) {
	d := entrytest.New(t)
	bags := d.Begin()
	id := d.Foal()
	d.Ready(id, bags[0])
	d.Must(&pb.TransfusionStarted{Case: id, Bag: bags[0]})
	end := &pb.TransfusionEnded{Case: id, Bag: bags[0], GivenMl: 9_300, Reason: "hives"}
	_, err := d.Write(t.Context(), &pb.WriteRequest{Author: "M. Alder", Entry: &pb.Entry{Body: &pb.Entry_Finished{Finished: end}}})
	require.ErrorContains(t, err, "1.5 times")
	out, err := d.Write(t.Context(), &pb.WriteRequest{Author: "M. Alder", Entry: &pb.Entry{Body: &pb.Entry_Stopped{Stopped: end}}})
	require.NoError(t, err)
	require.Contains(t, codesOf(out), "stopped_over_label")
	found, err := d.ListDiscrepancies(t.Context(), &pb.ListDiscrepanciesRequest{})
	require.NoError(t, err)
	require.True(t, slices.ContainsFunc(found.Discrepancies, func(x *pb.DiscrepancyRow) bool { return x.Kind == "over_volume" }))
}
