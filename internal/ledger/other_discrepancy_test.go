package ledger_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/ledger/ledgertest"
	pb "thawtrail/proto/thawtrail/v1"
)

var damKey = event.Key{Kind: event.KindDam, ID: "name:MARE"}

func opened(id, twin string) *pb.CaseOpened {
	return &pb.CaseOpened{Case: id, Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: "Mare", DamKey: "name:MARE", Twin: twin}
}

func TestSameFoalOpenedTwice(t *testing.T) {
	link := func(w *ledgertest.World, typ event.Type) {
		w.Device("z").Write(&pb.Linked{Kind: event.KindCase, First: "C2", Second: "C1", Reason: "looked"},
			ledgertest.As(typ), ledgertest.Touching(damKey))
	}
	for _, tt := range []struct {
		name string
		tell func(w *ledgertest.World, x, y *ledgertest.Device)
		want []string
	}{
		{"two laptops", func(w *ledgertest.World, x, y *ledgertest.Device) {
			x.Write(opened("C1", ""))
			y.Write(opened("C2", ""))
		}, []string{ledger.SameFoalOpenedTwice}},
		{"twins", func(w *ledgertest.World, x, y *ledgertest.Device) {
			x.Write(opened("C1", "a"))
			y.Write(opened("C2", "B"))
		}, nil},
		{"the same twin", func(w *ledgertest.World, x, y *ledgertest.Device) {
			x.Write(opened("C1", "a"))
			y.Write(opened("C2", "A"))
		}, []string{ledger.SameFoalOpenedTwice}},
		{"linked", func(w *ledgertest.World, x, y *ledgertest.Device) {
			x.Write(opened("C1", ""))
			y.Write(opened("C2", ""))
			link(w, 5)
		}, nil},
		{"said to be two foals", func(w *ledgertest.World, x, y *ledgertest.Device) {
			x.Write(opened("C1", ""))
			y.Write(opened("C2", ""))
			link(w, 6)
		}, nil},
		{"the first was closed before", func(w *ledgertest.World, x, y *ledgertest.Device) {
			x.Write(opened("C1", ""))
			x.Write(&pb.CaseClosed{Case: "C1", Outcome: pb.Outcome_OUTCOME_WELL}, ledgertest.Touching(damKey))
			y.Write(opened("C2", ""))
		}, nil},
		{"next year's foal", func(w *ledgertest.World, x, y *ledgertest.Device) {
			x.Write(opened("C1", ""))
			w.Pass(340 * 24 * time.Hour)
			y.Write(opened("C2", ""))
		}, nil},
	} {
		t.Run(tt.name, func(t *testing.T) {
			w := ledgertest.New(t)
			tt.tell(w, w.Device("x"), w.Device("y"))
			d := ledgertest.Fold(damKey, w.Records())
			require.ElementsMatch(t, tt.want, kindsOf(d))
			require.Len(t, d.(*ledger.Dam).Cases, 2)
		})
	}
}

func TestLinkedCases(t *testing.T) {
	w := ledgertest.New(t)
	x := w.Device("x")
	x.Write(opened("C2", ""))
	l := &pb.Linked{Kind: event.KindCase, First: "C2", Second: "C1", Reason: "same foal"}
	x.Write(l)
	c := ledgertest.Fold(event.Key{Kind: event.KindCase, ID: "C2"}, w.Records()).(*ledger.Case)
	require.Equal(t, "C1", c.Canonical())
	x.Write(l, ledgertest.As(6))
	c = ledgertest.Fold(event.Key{Kind: event.KindCase, ID: "C2"}, w.Records()).(*ledger.Case)
	require.Equal(t, "C2", c.Canonical())
	require.False(t, c.Links[0].Linked)
}

func TestLogForked(t *testing.T) {
	w := ledgertest.New(t)
	x := w.Device("x")
	x.Write(received("car"))
	back := x.Fork()
	x.Write(moved("car", "freezer"))
	x.Write(moved("freezer", "shelf"))
	back()
	x.Write(&pb.BagDiscarded{Bag: "B1"})
	x.Write(&pb.BagSoftened{Bag: "B1"})

	l := ledgertest.Fold(event.LogKey(x.Log()), w.Records()).(*ledger.Log)
	require.Equal(t, []string{ledger.LogForked}, kindsOf(l))
	require.Equal(t, int64(2), l.ForkSeq)
	require.Len(t, l.Found[0].Records, 2, "the first place with two records is the evidence")
	b := foldBag(t, w)
	require.Equal(t, ledger.EndDiscarded, b.Ended, "both branches are folded")
	require.True(t, b.Timeline[1].Marks.Has(ledger.MarkForked))
}

// A word that did not fit with a log made its record one of the log's entity. Once
// the branch that it named is here, it says nothing of the log: not even that its
// author had no right.
func TestAWordThatFitsByNowIsForgotten(t *testing.T) {
	w := ledgertest.New(t)
	hub, x, y := w.Device("hub"), w.Device("x"), w.Device("y")
	w.Found(hub)
	w.Admit(hub, x)
	w.Admit(hub, y)
	back := x.Fork()
	named := x.Write(received("car"))
	back()
	x.Write(received("freezer"))
	y.See(named)
	word := y.Write(moved("car", "freezer")) // nobody gave y's author a right
	key := event.LogKey(x.Log())

	want := ledgertest.Fold(key, w.Records())
	require.Equal(t, []string{ledger.LogForked}, kindsOf(want))
	once := map[ledgertest.Oddity]bool{{Record: word.Hash, Seq: named.Seq(), Named: named.Hash}: true}
	require.Equal(t, want, ledger.Fold(key, ledgertest.InputsWith(key, w.Records(), once)))
}

func TestTimeInDoubt(t *testing.T) {
	w := ledgertest.New(t)
	x, hub := w.Device("x"), w.Device("hub")
	tip := func(ahead time.Duration) *pb.HubStatement {
		return &pb.HubStatement{Number: 7, WallUs: w.Now().UnixMicro(), Accepted: []*pb.AcceptedTip{
			{Tip: x.Tips()[0], NewestWallUs: w.Now().Add(ahead).UnixMicro()},
		}}
	}
	s := hub.Write(tip(4 * time.Minute))
	x.See(s)
	x.Offset = -4 * time.Minute
	x.Write(received("car"))
	l := ledgertest.Fold(event.LogKey(x.Log()), w.Records()).(*ledger.Log)
	require.Empty(t, kindsOf(l), "five minutes are let pass")
	require.Equal(t, uint64(7), l.Accepted.Number)
	require.Equal(t, "x", l.DeviceName)

	x.Offset = -6 * time.Minute
	x.Write(moved("car", "freezer"))
	hub.Write(tip(6 * time.Minute))
	l = ledgertest.Fold(event.LogKey(x.Log()), w.Records()).(*ledger.Log)
	require.Equal(t, []string{ledger.TimeInDoubt}, kindsOf(l))
	require.Len(t, l.Doubts, 2)
	require.Len(t, l.Found[0].Evidence, 2)
}

// What cannot be read is said on the primary entity and does not stop the fold.
func TestUnreadable(t *testing.T) {
	unknownField := protowire.AppendTag(nil, 1, protowire.BytesType)
	unknownField = protowire.AppendString(unknownField, "B1")
	unknownField = protowire.AppendTag(unknownField, 9999, protowire.VarintType)
	unknownField = protowire.AppendVarint(unknownField, 1)
	for _, tt := range []struct {
		name  string
		opts  []ledgertest.Option
		want  []string
		newer bool
	}{
		{"broken bytes", []ledgertest.Option{ledgertest.Raw([]byte{0xff})}, []string{ledger.UnreadableRecord}, false},
		{"a type to come", []ledgertest.Option{ledgertest.As(4000)}, []string{ledger.NeedsNewerVersion}, true},
		{"a field to come", []ledgertest.Option{ledgertest.Raw(unknownField)}, []string{ledger.NeedsNewerVersion}, true},
	} {
		t.Run(tt.name, func(t *testing.T) {
			w := ledgertest.New(t)
			x := w.Device("x")
			x.Write(received("car"))
			x.Write(&pb.BagSoftened{Bag: "B1"}, tt.opts...)
			b := foldBag(t, w)
			require.Equal(t, tt.want, kindsOf(b))
			require.Equal(t, tt.newer, b.NeedsNewer)
			require.Equal(t, "car", b.Place)
			require.Len(t, b.Timeline, 2)
		})
	}
}

// A correction that cannot be read, or says more than an entry may, leaves its
// original as it stands.
func TestUnreadableCorrection(t *testing.T) {
	w := ledgertest.New(t)
	x := w.Device("x")
	got := x.Write(found("car"))
	endless, err := proto.Marshal(&pb.BagFound{Bag: "B1", Batch: strings.Repeat("H", 201)})
	require.NoError(t, err)
	for _, c := range []*pb.Corrected{
		{Original: got.Hash.String(), Type: 32, Payload: endless},
		{Original: got.Hash.String(), Type: 32, Payload: []byte{0xff}},
		{Original: got.Hash.String(), Type: 4000},
		{Original: got.Hash.String(), Type: 4},
		{Original: "no hash", Type: 32},
	} {
		x.Write(c, ledgertest.Touching(bagKey))
	}
	b := foldBag(t, w)
	require.Equal(t, "H2207", b.Label.Batch)
	require.Equal(t, []string{ledger.FoundBag, ledger.NeedsNewerVersion, ledger.UnreadableRecord}, kindsOf(b))
}
