package ledger_test

import (
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

// timeline is one treatment on two laptops that do not hear of each other: minutes count
// from the start of the first bag.
type timeline struct {
	*ledgertest.World
	first, second *ledgertest.Device
	zero          time.Time
}

func newTimeline(t *testing.T) *timeline {
	w := ledgertest.New(t)
	x := &timeline{World: w, first: w.Device("first"), second: w.Device("second"), zero: ledgertest.Start.Add(10 * time.Minute)}
	w.Pass(10 * time.Minute)
	return x
}

func (x *timeline) at(min int) time.Time      { return x.zero.Add(time.Duration(min) * time.Minute) }
func (x *timeline) ms(min int) int64          { return x.at(min).UnixMilli() }
func (x *timeline) moment(min int) *pb.Moment { return &pb.Moment{UnixMs: x.ms(min)} }

func (x *timeline) write(d *ledgertest.Device, min int, body proto.Message) *event.Record {
	return d.Write(body, ledgertest.At(x.at(min)))
}

func (x *timeline) start(d *ledgertest.Device, min int, bag string) *event.Record {
	return x.write(d, min, &pb.TransfusionStarted{Case: "C1", Bag: bag, Patient: "p"})
}

func (x *timeline) end(d *ledgertest.Device, min int, bag string, ml int32) *event.Record {
	return x.write(d, min, &pb.TransfusionEnded{Case: "C1", Bag: bag, GivenMl: ml, Patient: "p"})
}

func (x *timeline) read(d *ledgertest.Device, min int, ml int32) *event.Record {
	return x.write(d, min, &pb.VitalsNoted{Case: "C1", GivenMl: proto.Int32(ml)})
}

func (x *timeline) rate(d *ledgertest.Device, min int, bag string, mlPerH int32) *event.Record {
	return x.write(d, min, &pb.RateSet{Case: "C1", Bag: bag, MlPerH: mlPerH})
}

// code is what a code says that was made at a minute, of a bag begun at another.
func (x *timeline) code(made, started int, bag string, given, before int32) *pb.CaseAdopted {
	return &pb.CaseAdopted{
		Case: "C1", Way: pb.AdoptedBy_ADOPTED_BY_CODE, Bag: bag, DamName: "Quiet Harbour", Mark: "star", GivenMl: proto.Int32(given), GivenBeforeMl: before,
		StartedAt: x.moment(started), ReadAt: x.moment(made), MadeAt: x.moment(made), MlPerH: proto.Int32(900),
	}
}

func (x *timeline) bag(records []*event.Record, id string) *ledger.Bag {
	state, _ := ledgertest.Fold(event.Key{Kind: event.KindBag, ID: id}, records).(*ledger.Bag)
	return state
}

// running are the bags that run in the case.
func running(c *ledger.Case) (out []string) {
	for i := range c.Transfusions {
		if c.Transfusions[i].Running {
			out = append(out, c.Transfusions[i].Bag)
		}
	}
	return out
}

// TestTwelveTimelinesOfACode: whatever is known here when a code is typed, and whatever
// comes later, what runs now is the bag that the newest word is about, and what was given
// is counted once.
func TestTwelveTimelinesOfACode(t *testing.T) {
	for _, tt := range []struct {
		name     string
		run      func(x *timeline) []*event.Record
		running  []string
		plasmaMl int32
		unseenMl int32
		rate     int32
	}{
		{"1 the first bag is known here, the second was hung out of reach", func(x *timeline) []*event.Record {
			known := []*event.Record{x.start(x.first, 0, "B1"), x.rate(x.first, 1, "B1", 600), x.read(x.first, 5, 20)}
			told := x.code(60, 50, "B2", 100, 930)
			told.EndedBags = []string{"B1"}
			return append(known, x.write(x.second, 62, told))
		}, []string{"B2"}, 1030, 910, 900},
		{"2 nothing is known here", func(x *timeline) []*event.Record {
			return []*event.Record{x.write(x.second, 62, x.code(60, 50, "B2", 100, 930))}
		}, []string{"B2"}, 1030, 930, 900},
		{"3 all of the first laptop's records come later", func(x *timeline) []*event.Record {
			return []*event.Record{
				x.start(x.first, 0, "B1"), x.rate(x.first, 1, "B1", 600), x.end(x.first, 45, "B1", 930), x.start(x.first, 50, "B2"),
				x.rate(x.first, 51, "B2", 900), x.read(x.first, 60, 100), x.write(x.second, 62, x.code(60, 50, "B2", 100, 930)),
			}
		}, []string{"B2"}, 1030, 0, 900},
		{"4 the end of the first bag comes later, and was typed after the code", func(x *timeline) []*event.Record {
			told := x.code(60, 50, "B2", 100, 930)
			told.EndedBags = []string{"B1"}
			return []*event.Record{x.start(x.first, 0, "B1"), x.read(x.first, 5, 20), x.write(x.second, 62, told), x.end(x.first, 65, "B1", 930)}
		}, []string{"B2"}, 1030, 0, 900},
		{"5 two bags are known here, a third was hung out of reach", func(x *timeline) []*event.Record {
			told := x.code(120, 110, "B3", 40, 1900)
			told.EndedBags = []string{"B2"}
			return []*event.Record{
				x.start(x.first, 0, "B1"), x.end(x.first, 45, "B1", 950), x.start(x.first, 50, "B2"), x.read(x.first, 60, 300), x.write(x.second, 125, told),
			}
		}, []string{"B3"}, 1940, 650, 900},
		{"6 one code is typed twice", func(x *timeline) []*event.Record {
			told := x.code(60, 50, "B2", 100, 930)
			return []*event.Record{x.write(x.second, 62, told), x.write(x.second, 64, told)}
		}, []string{"B2"}, 1030, 930, 900},
		{"7 an older code is typed after a newer one", func(x *timeline) []*event.Record {
			old := x.code(20, 0, "B1", 400, 0)
			old.MlPerH, old.Clamped, old.EndedBags = proto.Int32(300), true, []string{"B1"}
			return []*event.Record{x.write(x.second, 62, x.code(60, 50, "B2", 100, 930)), x.write(x.second, 64, old)}
		}, []string{"B2"}, 1030, 530, 900},
		{"8 a newer code is typed after an older one", func(x *timeline) []*event.Record {
			newer := x.code(60, 50, "B2", 100, 930)
			newer.EndedBags = []string{"B1"}
			return []*event.Record{x.write(x.second, 22, x.code(20, 0, "B1", 400, 0)), x.write(x.second, 62, newer)}
		}, []string{"B2"}, 1030, 530, 900},
		{"9 of the bag that the code names, an older rate and reading are known here", func(x *timeline) []*event.Record {
			return []*event.Record{x.start(x.first, 0, "B1"), x.rate(x.first, 1, "B1", 75), x.read(x.first, 5, 20), x.write(x.second, 42, x.code(40, 0, "B1", 480, 0))}
		}, []string{"B1"}, 480, 0, 900},
		{"10 a record of after the code arrives: the rate was changed, the first bag ran on", func(x *timeline) []*event.Record {
			told := x.code(60, 50, "B2", 100, 930)
			told.EndedBags = []string{"B1"}
			return []*event.Record{x.start(x.first, 0, "B1"), x.write(x.second, 62, told), x.rate(x.first, 70, "B1", 450)}
		}, []string{"B1", "B2"}, 1030, 930, 450},
		{"11 the bag of the code was ended here after the code was made", func(x *timeline) []*event.Record {
			return []*event.Record{x.start(x.first, 0, "B1"), x.end(x.first, 50, "B1", 900), x.write(x.second, 62, x.code(40, 0, "B1", 700, 0))}
		}, nil, 900, 0, 900},
		{"12 the bag was stopped, as is known here, and hung again out of reach", func(x *timeline) []*event.Record {
			return []*event.Record{x.start(x.first, 0, "B1"), x.end(x.first, 20, "B1", 300), x.write(x.second, 62, x.code(60, 0, "B1", 500, 0))}
		}, []string{"B1"}, 500, 0, 900},
		{"13 the case goes back: its first laptop types the second one's code", func(x *timeline) []*event.Record {
			back := x.code(40, 0, "B1", 600, 0)
			return []*event.Record{
				x.start(x.first, 0, "B1"), x.rate(x.first, 1, "B1", 75), x.write(x.first, 3, &pb.FlowChanged{Case: "C1", Bag: "B1"}), x.read(x.first, 5, 20),
				x.write(x.first, 42, back),
			}
		}, []string{"B1"}, 600, 0, 900},
	} {
		t.Run(tt.name, func(t *testing.T) {
			records := tt.run(newTimeline(t))
			for range 2 { // in the order of writing, and the other way round
				c := caseOf(t, records)
				require.Equal(t, tt.running, running(c))
				require.Equal(t, tt.plasmaMl, c.PlasmaMl)
				require.Equal(t, tt.unseenMl, c.UnseenMl)
				require.Equal(t, tt.running != nil, c.Running)
				require.False(t, c.Clamped)
				require.Equal(t, tt.rate, c.Rates[len(c.Rates)-1].MlPerH)
				require.Empty(t, c.Discrepancies())
				slices.Reverse(records)
			}
		})
	}
}

// TestTheBagItselfEndsWithTheCode: what the case says, the earlier bag's own story says.
func TestTheBagItselfEndsWithTheCode(t *testing.T) {
	x := newTimeline(t)
	told := x.code(60, 50, "B2", 100, 930)
	told.EndedBags = []string{"B1"}
	records := []*event.Record{x.start(x.first, 0, "B1"), x.write(x.second, 62, told)}
	b := x.bag(records, "B1")
	require.False(t, b.Running(), "it hangs no more")
	require.Equal(t, ledger.EndGiven, b.Ended)
	require.True(t, b.Uses[0].Told)
	require.True(t, x.bag(records, "B2").Running())
	require.Empty(t, b.Discrepancies())

	// A late end is the end itself: one transfusion, with its mL.
	records = append(records, x.end(x.first, 65, "B1", 930))
	b = x.bag(records, "B1")
	require.Len(t, b.Uses, 1)
	require.False(t, b.Uses[0].Told)
	require.EqualValues(t, 930, b.GivenMl)

	// An older code of the first bag, after one of the second, hangs nothing.
	old := x.code(20, 0, "B1", 400, 0)
	old.EndedBags = []string{"B1"}
	b = x.bag([]*event.Record{x.write(x.second, 64, old)}, "B1")
	require.False(t, b.Running())
}

// TestACodeBringsTheLastVitals: with its baseline, until the looks themselves are here.
func TestACodeBringsTheLastVitals(t *testing.T) {
	x := newTimeline(t)
	told := x.code(40, 0, "B1", 480, 0)
	told.VitalsAt, told.TemperatureDc, told.HeartRate, told.BreathingRate = x.moment(30), proto.Int32(392), proto.Int32(120), proto.Int32(44)
	told.BaselineTemperatureDc, told.BaselineHeartRate, told.BaselineBreathingRate = proto.Int32(380), proto.Int32(94), proto.Int32(30)
	taken := x.write(x.second, 42, told)
	own := &pb.VitalsNoted{Case: "C1", TemperatureDc: proto.Int32(390), HeartRate: proto.Int32(110), BreathingRate: proto.Int32(40)}
	after := x.write(x.second, 45, own)

	c := caseOf(t, []*event.Record{taken, after})
	require.Len(t, c.Vitals, 3)
	require.True(t, c.HasBaseline())
	require.EqualValues(t, 94, *c.Vitals[0].HeartRate)
	require.Equal(t, x.ms(30), c.Vitals[1].Stamp.AtMs)
	require.EqualValues(t, 392, *c.Vitals[1].TemperatureDc)

	base := x.write(x.first, -5, &pb.VitalsNoted{Case: "C1", Baseline: true, TemperatureDc: proto.Int32(380), HeartRate: proto.Int32(93), BreathingRate: proto.Int32(30)})
	look := x.write(x.first, 30, &pb.VitalsNoted{Case: "C1", TemperatureDc: proto.Int32(392), HeartRate: proto.Int32(120), BreathingRate: proto.Int32(44)})
	c = caseOf(t, []*event.Record{base, look, taken, after})
	require.Len(t, c.Vitals, 3)
	require.EqualValues(t, 93, *c.Vitals[0].HeartRate, "the looks themselves")
	require.Equal(t, look.Hash, c.Vitals[1].Stamp.Record)
	c = caseOf(t, []*event.Record{base, taken})
	require.Len(t, c.Vitals, 2, "the baseline is here, the last look is told")
	require.EqualValues(t, 392, *c.Vitals[1].TemperatureDc)

	before := x.code(4, 0, "B1", 0, 0)
	before.VitalsAt, before.TemperatureDc, before.HeartRate, before.BreathingRate = x.moment(-5), proto.Int32(380), proto.Int32(93), proto.Int32(30)
	c = caseOf(t, []*event.Record{x.write(x.second, 6, before)})
	require.Len(t, c.Vitals, 1, "nobody has looked since the start: the last look is the baseline")
	require.True(t, c.HasBaseline())
}
