package exchange

import (
	"crypto/sha256"
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	pb "thawtrail/proto/thawtrail/v1"
)

func hashOf(s string) event.Hash { return sha256.Sum256([]byte(s)) }

// at is the record at a place of a branch; every branch of a log has its own.
func at(branch string, seq uint64) Tip { return Tip{seq, hashOf(fmt.Sprint(branch, seq))} }

var (
	logA = event.Hash{1}
	logB = event.Hash{2}
)

// onBranch is a store that holds one branch up to a place.
func onBranch(branch string, upTo uint64) Has {
	return func(_ event.LogID, t Tip) bool { return t.Seq <= upTo && t == at(branch, t.Seq) }
}

func heldTo(log event.LogID, tips ...Tip) HeldLog {
	return HeldLog{Log: log, Lane: pb.Lane_LANE_ORDINARY, Tips: tips}
}

func TestCompareNamesEveryCase(t *testing.T) {
	hour := time.Hour.Microseconds()
	base := func(held ...HeldLog) Beliefs {
		return Beliefs{Protocol: Protocol, Fold: 3, Practice: "p", WallUs: hour, HubEpoch: "e1", Held: held}
	}
	tests := []struct {
		name   string
		mine   Beliefs
		theirs Beliefs
		has    Has
		change func(m *Mine, theirs *Beliefs)
		want   []Difference
	}{
		{name: "same", mine: base(heldTo(logA, at("x", 5))), theirs: base(heldTo(logA, at("x", 5))),
			want: []Difference{{Kind: Same}}},
		{name: "nothing yet", mine: base(), theirs: base(), want: []Difference{{Kind: Same}}},
		{name: "they lack a log", mine: base(heldTo(logA, at("x", 5))), theirs: base(),
			want: []Difference{{Kind: TheyLack, Log: logA}}},
		{name: "they lack the end", mine: base(heldTo(logA, at("x", 5))), theirs: base(heldTo(logA, at("x", 3))), has: onBranch("x", 5),
			want: []Difference{{Kind: TheyLack, Log: logA, From: 4}}},
		{name: "we lack a log", mine: base(), theirs: base(heldTo(logB, at("x", 5))),
			want: []Difference{{Kind: WeLack, Log: logB}}},
		{name: "we lack the end", mine: base(heldTo(logA, at("x", 3))), theirs: base(heldTo(logA, at("x", 5))),
			want: []Difference{{Kind: WeLack, Log: logA, From: 4}}},
		{name: "each lacks another log", mine: base(heldTo(logA, at("x", 3))), theirs: base(heldTo(logB, at("y", 5))),
			want: []Difference{{Kind: TheyLack, Log: logA}, {Kind: WeLack, Log: logB}}},
		{name: "they know more of my log", mine: base(heldTo(logA, at("x", 3))), theirs: base(heldTo(logA, at("x", 5))),
			change: func(m *Mine, _ *Beliefs) { m.Own = []event.LogID{logA} },
			want:   []Difference{{Kind: TheyKnowMoreOfMyLog, Log: logA, From: 4}, {Kind: WeLack, Log: logA, From: 4}}},
		{name: "my whole log is gone here", mine: base(), theirs: base(heldTo(logA, at("x", 5))),
			change: func(m *Mine, _ *Beliefs) { m.Own = []event.LogID{logA} },
			want:   []Difference{{Kind: TheyKnowMoreOfMyLog, Log: logA}, {Kind: WeLack, Log: logA}}},
		{name: "own log differs", mine: base(heldTo(logA, at("x", 5))), theirs: base(heldTo(logA, at("y", 5))), has: onBranch("x", 5),
			change: func(m *Mine, _ *Beliefs) { m.Own = []event.LogID{logA} },
			want:   []Difference{{Kind: OwnLogDiffers, Log: logA, From: 5}, {Kind: LogForked, Log: logA, From: 5}, {Kind: TheyLack, Log: logA}}},
		{name: "forked below our tip", mine: base(heldTo(logA, at("x", 5))), theirs: base(heldTo(logA, at("y", 4))), has: onBranch("x", 5),
			want: []Difference{{Kind: LogForked, Log: logA, From: 4}, {Kind: TheyLack, Log: logA}}},
		{name: "a known fork that both hold", mine: base(heldTo(logA, at("y", 6), at("x", 5))), theirs: base(heldTo(logA, at("y", 6), at("x", 5))),
			want: []Difference{{Kind: Same}}},
		{name: "they hold one branch of two", mine: base(HeldLog{Log: logA, Tips: []Tip{at("y", 6), at("x", 5)}, Fork: 4}), theirs: base(heldTo(logA, at("y", 6))),
			want: []Difference{{Kind: TheyLack, Log: logA, From: 4}}},
		{name: "we hold a fork, they are past it on a branch we cannot tell", mine: base(HeldLog{Log: logA, Tips: []Tip{at("y", 6), at("x", 5)}, Fork: 4}), theirs: base(heldTo(logA, at("x", 9))),
			want: []Difference{{Kind: WeLack, Log: logA, From: 7}, {Kind: TheyLack, Log: logA}}},
		{name: "they are behind on both branches", mine: base(HeldLog{Log: logA, Tips: []Tip{at("y", 9), at("x", 8)}, Fork: 4}), theirs: base(heldTo(logA, at("y", 6), at("x", 5))),
			has:  func(_ event.LogID, t Tip) bool { return t == at("y", t.Seq) || t == at("x", t.Seq) },
			want: []Difference{{Kind: TheyLack, Log: logA, From: 6}}},
		{name: "we miss a run", mine: base(HeldLog{Log: logA, Tips: []Tip{at("x", 9)}, Missing: []SeqRange{{2, 4}}}), theirs: base(heldTo(logA, at("x", 9))),
			want: []Difference{{Kind: WeMissRuns, Log: logA, From: 2}}},
		{name: "they miss a run", mine: base(heldTo(logA, at("x", 9))), theirs: base(HeldLog{Log: logA, Tips: []Tip{at("x", 9)}, Missing: []SeqRange{{2, 4}}}),
			want: []Difference{{Kind: TheyMissRuns, Log: logA, From: 2}}},
		{name: "both miss the same run", mine: base(HeldLog{Log: logA, Tips: []Tip{at("x", 9)}, Missing: []SeqRange{{2, 4}}}), theirs: base(HeldLog{Log: logA, Tips: []Tip{at("x", 9)}, Missing: []SeqRange{{2, 4}}}),
			want: []Difference{{Kind: Same}}},
		{name: "other practice", mine: base(), theirs: base(), change: func(_ *Mine, b *Beliefs) { b.Practice = "q" }, want: []Difference{{Kind: OtherPractice}}},
		{name: "not yet in a practice", mine: base(), theirs: base(), change: func(_ *Mine, b *Beliefs) { b.Practice = "" }, want: []Difference{{Kind: Same}}},
		{name: "protocol too old", mine: base(), theirs: base(), change: func(_ *Mine, b *Beliefs) { b.Protocol = 0 }, want: []Difference{{Kind: ProtocolTooOld}}},
		{name: "newer", mine: base(), theirs: base(), change: func(_ *Mine, b *Beliefs) { b.Protocol++ }, want: []Difference{{Kind: NewerProtocol}}},
		{name: "older", mine: base(), theirs: base(), change: func(m *Mine, _ *Beliefs) { m.Protocol++ }, want: []Difference{{Kind: OlderProtocol}}},
		{name: "fold", mine: base(), theirs: base(), change: func(_ *Mine, b *Beliefs) { b.Fold++ }, want: []Difference{{Kind: FoldVersionDiffers}}},
		{name: "unknown device", mine: base(), theirs: base(), change: func(m *Mine, _ *Beliefs) { m.Enrolled = func(DeviceID) bool { return false } },
			want: []Difference{{Kind: DeviceUnknown}}},
		{name: "clock ahead", mine: base(), theirs: base(), change: func(_ *Mine, b *Beliefs) { b.WallUs += hour }, want: []Difference{{Kind: ClockApart, OffsetUs: hour}}},
		{name: "clock behind", mine: base(), theirs: base(), change: func(_ *Mine, b *Beliefs) { b.WallUs = 0 }, want: []Difference{{Kind: ClockApart, OffsetUs: -hour}}},
		{name: "clock absurd", mine: base(), theirs: base(), change: func(m *Mine, b *Beliefs) { m.WallUs, b.WallUs = -5, math.MaxInt64 },
			want: []Difference{{Kind: ClockApart, OffsetUs: math.MaxInt64}}},
		{name: "clock just inside", mine: base(), theirs: base(), change: func(_ *Mine, b *Beliefs) { b.WallUs += ClockTolerance.Microseconds() }, want: []Difference{{Kind: Same}}},
		{name: "hub epoch changed", mine: base(), theirs: base(), change: func(_ *Mine, b *Beliefs) { b.Hub, b.HubEpoch = true, "e2" }, want: []Difference{{Kind: HubEpochChanged}}},
		{name: "two laptops knew different epochs", mine: base(), theirs: base(), change: func(_ *Mine, b *Beliefs) { b.HubEpoch = "e2" }, want: []Difference{{Kind: Same}}},
		{name: "hub lost data", mine: base(heldTo(logA, at("x", 5))), theirs: base(heldTo(logA, at("x", 3))), has: onBranch("x", 5),
			change: func(m *Mine, b *Beliefs) { b.Hub, m.Acked = true, []LogTip{{logA, at("x", 5)}} },
			want:   []Difference{{Kind: TheyLack, Log: logA, From: 4}, {Kind: HubLostData, Log: logA, From: 4}}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			mine := Mine{Beliefs: tt.mine, Has: tt.has}
			if tt.change != nil {
				tt.change(&mine, &tt.theirs)
			}
			require.Equal(t, tt.want, Compare(mine, tt.theirs))
		})
	}
}

func TestEveryKindSaysWhatItMeans(t *testing.T) {
	words := map[string]bool{}
	for k := range kinds {
		d := Difference{Kind: Kind(k), Log: logA, OffsetUs: 600e6}
		require.NotEmpty(t, kinds[k].text)
		require.Contains(t, d.String(), kinds[k].word+": ")
		require.False(t, words[kinds[k].word])
		words[kinds[k].word] = true
	}
	_, stop := Stop([]Difference{{Kind: ClockApart}, {Kind: TheyLack}})
	require.False(t, stop)
	d, stop := Stop([]Difference{{Kind: ClockApart}, {Kind: DeviceUnknown}})
	require.True(t, stop)
	require.Equal(t, DeviceUnknown, d.Kind)
	require.True(t, Difference{Kind: OwnLogDiffers}.NewEpoch())
	require.Contains(t, Difference{Kind: ClockApart, OffsetUs: 600e6}.String(), "10m0s")
}

func TestBeliefsTravel(t *testing.T) {
	a, _ := newAuthor(1, pb.Lane_LANE_URGENT, 1)
	b := Beliefs{Protocol: 1, Fold: 2, Program: "1.0", Practice: "p", Key: a.public(), Name: "north car",
		Own: []event.LogID{logA}, WallUs: 5, HubEpoch: "e1", Statement: 7, Hub: true,
		Held: []HeldLog{
			{Log: logA, Lane: pb.Lane_LANE_URGENT, Tips: []Tip{at("y", 9), at("x", 7)}, Missing: []SeqRange{{2, 3}, {5, 5}}},
			heldTo(logB, at("z", 0)),
		}}
	copy(b.Device[:], event.DeviceID(b.Key))
	back, err := BeliefsFromPB(b.PB())
	require.NoError(t, err)
	require.Equal(t, b, back)

	bad := map[string]func(m *pb.Beliefs){
		"no protocol":       func(m *pb.Beliefs) { m.ProtocolVersion = 0 },
		"device of another": func(m *pb.Beliefs) { m.Device = make([]byte, 16) },
		"long device":       func(m *pb.Beliefs) { m.Device = append(m.Device, 1) },
		"short key":         func(m *pb.Beliefs) { m.PublicKey = m.PublicKey[:31] },
		"long name":         func(m *pb.Beliefs) { m.DeviceName = string(make([]byte, maxName+1)) },
		"tip without hash":  func(m *pb.Beliefs) { m.Held[0].Tip.Hash = nil },
		"no tip":            func(m *pb.Beliefs) { m.Held[0].Tip = nil },
		"range backwards":   func(m *pb.Beliefs) { m.Held[0].Missing[0].To = 1 },
		"ranges overlap":    func(m *pb.Beliefs) { m.Held[0].Missing[1].From = 3 },
		"range past tip":    func(m *pb.Beliefs) { m.Held[0].Missing[1].To = 9 },
		"short own log":     func(m *pb.Beliefs) { m.OwnLogs[0] = []byte{1} },
		"too many logs":     func(m *pb.Beliefs) { m.Held = make([]*pb.HeldLog, MaxLogs+1) },
		"too many tips": func(m *pb.Beliefs) {
			for i := range uint64(MaxBranches) {
				m.Held = append(m.Held, HeldPB([]HeldLog{heldTo(logA, at("w", i))})...)
			}
		},
	}
	for name, change := range bad {
		t.Run(name, func(t *testing.T) {
			m := proto.Clone(b.PB()).(*pb.Beliefs)
			change(m)
			_, err := BeliefsFromPB(m)
			require.Error(t, err)
		})
	}
}
