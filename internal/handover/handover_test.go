package handover

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"thawtrail/internal/label"
	"thawtrail/internal/testrun"
)

var night = time.Date(2026, 11, 26, 2, 40, 30, 0, time.UTC)

func bagOf(t interface{ Fatal(...any) }, seed byte) string {
	n, err := label.NewBagNumber(strings.NewReader(strings.Repeat(string([]byte{seed, 7, 200, seed * 3, 91, 14, 3}), 200)))
	if err != nil {
		t.Fatal(err)
	}
	return string(n)
}

func sheet(t *testing.T) Sheet {
	start := night.Truncate(time.Minute).Add(-35 * time.Minute).UnixMilli()
	return Sheet{
		Case: "5Q7K2M9XZ0", Bag: bagOf(t, 5), WeightG: 52_500, GivenMl: new(int32(420)), BeforeMl: 900, MlPerH: new(int32(1050)),
		StartedMs: start, SetMs: start - 4*minuteMs, ReadMs: start + 30*minuteMs, NextVitalsMs: start + 45*minuteMs, Reaction: true, SlowStage: true,
		MadeMs: start + 34*minuteMs, VitalsMs: start + 30*minuteMs, Vitals: Look{new(int32(384)), new(int32(301)), new(int32(36))},
		Baseline: Look{new(int32(379)), new(int32(92)), new(int32(31))},
	}
}

const (
	dam  = "Quiet Harbour"
	mark = "star, near hind sock"
)

func code(t *testing.T, s Sheet) string {
	rows, err := Write(s, dam, mark)
	require.NoError(t, err)
	return strings.Join(rows[:], "\n")
}

func TestASheetComesBack(t *testing.T) {
	s := sheet(t)
	text := code(t, s)
	require.Equal(t, 56, len(strings.NewReplacer("-", "", "\n", "").Replace(text)), "as many characters as the doc says")
	got, err := Read(strings.ToLower(strings.ReplaceAll(text, "0", "o")), "quiet  harbour", "STAR near hind-sock", night)
	require.NoError(t, err)
	require.Equal(t, s, got)

	bare := Sheet{Case: s.Case, Bag: s.Bag, StartedMs: s.StartedMs}
	got, err = Read(code(t, bare), dam, mark, night)
	require.NoError(t, err)
	require.Equal(t, bare, got, "what is not known stays unknown")
}

// TestEverySlipIsFound: one wrong character, and any two of a row that changed
// places, at every place and with every character.
func TestEverySlipIsFound(t *testing.T) {
	plain := strings.NewReplacer("-", "", "\n", "").Replace(code(t, sheet(t)))
	for i := range plain {
		for _, c := range alphabet {
			slip := plain[:i] + string(c) + plain[i+1:]
			if slip == plain {
				continue
			}
			_, err := Read(slip, dam, mark, night)
			require.ErrorContains(t, err, rowName(i/RowChars), "%c at %d", c, i)
		}
		for j := i + 1; j < len(plain); j++ {
			if plain[i] == plain[j] {
				continue
			}
			b := []byte(plain)
			b[i], b[j] = b[j], b[i]
			_, err := Read(string(b), dam, mark, night)
			require.ErrorContains(t, err, "of the code", "%d and %d changed places", i, j)
		}
	}
	rows := []string{plain[:14], plain[14:28], plain[28:42], plain[42:]}
	_, err := Read(rows[1]+rows[0]+rows[2]+rows[3], dam, mark, night)
	require.ErrorContains(t, err, "row 1 of the code")
	_, err = Read(rows[0]+rows[1]+rows[2], dam, mark, night)
	require.ErrorContains(t, err, "another version", "three rows of a code of four")
	for _, bad := range []string{"", plain[:41], plain[:55], plain + "0", strings.Repeat("0", 5000), plain[:55] + "U"} {
		_, err := Read(bad, dam, mark, night)
		require.Error(t, err)
	}
}

// TestASlipInTheWordsIsFound changes each letter of the words to every other one.
func TestASlipInTheWordsIsFound(t *testing.T) {
	text := code(t, sheet(t))
	for i, old := range dam {
		for c := 'a'; c <= 'z' && old != ' '; c++ {
			slip := dam[:i] + string(c) + dam[i+1:]
			if _, err := Read(text, slip, mark, night); !strings.EqualFold(slip, dam) {
				require.ErrorContains(t, err, "a letter of these words", slip)
			}
		}
	}
	_, err := Read(text, mark, dam, night)
	require.ErrorContains(t, err, "a letter of these words")
	_, err = Read(text, dam, "", night)
	require.ErrorContains(t, err, "a letter of these words")
}

// TestTheStartIsTheNewestThatFits reads a code by clocks before and after it.
func TestTheStartIsTheNewestThatFits(t *testing.T) {
	s := sheet(t)
	text := code(t, s)
	for _, off := range []time.Duration{-90 * time.Minute, 0, 10 * time.Hour, 30 * time.Hour} {
		got, err := Read(text, dam, mark, time.UnixMilli(s.StartedMs).Add(off))
		require.NoError(t, err)
		require.Equal(t, s.StartedMs, got.StartedMs, "%s after the start", off)
	}
}

func TestWhatDoesNotFitIsRefused(t *testing.T) {
	for name, change := range map[string]func(*Sheet){
		"rate":   func(s *Sheet) { s.MlPerH = new(int32(8192)) },
		"given":  func(s *Sheet) { s.GivenMl = new(int32(9000)) },
		"before": func(s *Sheet) { s.BeforeMl = 9000 },
		"weight": func(s *Sheet) { s.WeightG = 1_700_000 },
		"bag":    func(s *Sheet) { s.Bag = "B1" },
		"case":   func(s *Sheet) { s.Case = "5Q" },
	} {
		s := sheet(t)
		change(&s)
		_, err := Write(s, dam, mark)
		require.ErrorContains(t, err, "by a file", name)
	}
}

// The field is one: every element but zero has an inverse, and the powers of a
// all differ as far as a row is long.
func TestTheFieldIsAField(t *testing.T) {
	for a := byte(1); a < 32; a++ {
		seen := map[byte]bool{}
		for b := range byte(32) {
			seen[times(a, b)] = true
		}
		require.Len(t, seen, 32, "%d times every element gives every element", a)
	}
	powers := map[byte]bool{}
	for p, i := byte(1), 0; i < RowChars; i++ {
		require.False(t, powers[p])
		powers[p], p = true, times(p, 2)
	}
}

func TestAnySheetComesBack(t *testing.T) {
	testrun.Check(t, func(rt *rapid.T) {
		some := func(most int, name string) int { return rapid.IntRange(0, most).Draw(rt, name) }
		start := night.Truncate(time.Minute).UnixMilli() - int64(some(1900, "ago"))*minuteMs
		s := Sheet{
			Case: text(spellNumber(rapid.Uint64Range(0, 1<<50-1).Draw(rt, "case"), 10)), Bag: bagOf(rt, byte(some(255, "bag"))), WeightG: int32(some(16383, "kg")) * 100,
			GivenMl: new(int32(some(8190, "given"))), BeforeMl: int32(some(8191, "before")), MlPerH: new(int32(some(8190, "rate"))), StartedMs: start,
			SetMs: start - int64(some(254, "set"))*minuteMs, ReadMs: start + int64(some(254, "read"))*minuteMs, NextVitalsMs: start + int64(some(254, "vitals"))*minuteMs,
			Clamped: rapid.Bool().Draw(rt, "clamped"), Reaction: rapid.Bool().Draw(rt, "reaction"),
			MadeMs:   start + int64(some(254, "made"))*minuteMs,
			Vitals:   Look{new(int32(250 + some(200, "temp"))), new(int32(some(350, "heart"))), new(int32(some(250, "breaths")))},
			Baseline: Look{nil, new(int32(2 * some(175, "base heart"))), new(int32(some(250, "base breaths")))},
		}
		s.VitalsMs = s.MadeMs - int64(some(254, "look"))*minuteMs
		rows, err := Write(s, dam, mark)
		require.NoError(rt, err)
		got, err := Read(strings.Join(rows[:], " "), dam, mark, night)
		require.NoError(rt, err)
		require.Equal(rt, s, got)
	})
}

func FuzzRead(f *testing.F) {
	f.Add("0000-0000-0000-00 0000-0000-0000-00 0000-0000-0000-00", dam, mark)
	f.Fuzz(func(t *testing.T, code, dam, mark string) {
		s, err := Read(code, dam, mark, night)
		if err != nil {
			return
		}
		rows, err := Write(s, dam, mark)
		if err != nil {
			return // a number that only this reader takes
		}
		if again, err := Read(strings.Join(rows[:], " "), dam, mark, night); err != nil || again.Case != s.Case || again.Bag != s.Bag {
			t.Fatal("read, written and read again is another sheet")
		}
	})
}

// oldCode is what a program of version 1 made of the sheet of these tests.
const oldCode = `4PWY-CAH7-QW07-0P
6187-S043-8D43-GX
GGD1-Q843-RPPM-YT`

// TestACodeOfVersion1IsStillRead: rows that the program before this one showed.
func TestACodeOfVersion1IsStillRead(t *testing.T) {
	got, err := Read(oldCode, dam, mark, night)
	require.NoError(t, err)
	want := sheet(t)
	want.MadeMs, want.VitalsMs, want.Vitals, want.Baseline = 0, 0, Look{}, Look{}
	require.Equal(t, want, got)
}

// TestALookWithoutATimeStaysBehind: one that the code cannot date is not told.
func TestALookWithoutATimeStaysBehind(t *testing.T) {
	for name, change := range map[string]func(*Sheet){
		"made too late": func(s *Sheet) { s.MadeMs = s.StartedMs + 255*minuteMs },
		"look too old":  func(s *Sheet) { s.VitalsMs = s.MadeMs - 255*minuteMs },
		"never looked":  func(s *Sheet) { s.VitalsMs, s.Vitals = 0, Look{} },
	} {
		s := sheet(t)
		change(&s)
		got, err := Read(code(t, s), dam, mark, night)
		require.NoError(t, err, name)
		require.True(t, got.Vitals.Empty(), name)
		require.Zero(t, got.VitalsMs, name)
		require.Equal(t, s.Baseline, got.Baseline, name)
	}
	s := sheet(t)
	s.Vitals, s.Baseline.HeartRate = Look{HeartRate: new(int32(600)), TemperatureDc: new(int32(240))}, new(int32(93))
	got, err := Read(code(t, s), dam, mark, night)
	require.NoError(t, err)
	require.True(t, got.Vitals.Empty(), "no measurement lies there")
	require.EqualValues(t, 94, *got.Baseline.HeartRate, "in steps of two")
}
