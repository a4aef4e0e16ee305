package bench

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"thawtrail/internal/bench/nights"
	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store"
	"thawtrail/internal/testrun"
)

// Every result carries the fixed fields; times are not looked at.
func TestQuickPushAndPull(t *testing.T) {
	for _, name := range []string{"push_ack_10k", "plans"} {
		var out bytes.Buffer
		require.NoError(t, Run(t.Context(), Config{JSON: true, Only: name, Quick: true, Out: &out, Dir: t.TempDir()}))
		var got map[string]any
		require.NoError(t, json.NewDecoder(&out).Decode(&got))
		require.Equal(t, name, got["name"])
		for _, field := range []string{"n", "seconds", "limit_seconds", "ratio", "limit"} {
			require.Contains(t, got, field)
		}
		require.Positive(t, got["seconds"])
	}
}

func TestTableShowsResults(t *testing.T) {
	var out bytes.Buffer
	require.NoError(t, Run(t.Context(), Config{Only: "pick_60", Quick: true, Out: &out, Dir: t.TempDir()}))
	require.Contains(t, out.String(), "pick_60")
	require.Contains(t, out.String(), "p99_ms")
}

func TestUnknownNameIsRefused(t *testing.T) {
	require.ErrorContains(t, Run(t.Context(), Config{Only: "everything"}), "push_ack_10k")
}

func TestFoldersAreRemoved(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, Run(t.Context(), Config{Only: "plans", Quick: true, Out: &bytes.Buffer{}, Dir: dir}))
	left, err := os.ReadDir(dir)
	require.NoError(t, err)
	require.Empty(t, left)
}

// The nights are what doc.go says: in the books, entitled, of about 300 bytes
// beside signature and frame, and no entity is touched by more than 40 records.
func TestNights(t *testing.T) {
	l := newLab(Config{}, t.TempDir())
	f, err := l.laptop(t.Context(), 2000)
	require.NoError(t, err)
	require.EqualValues(t, 2000, f.records)
	require.NoError(t, fill(t.Context(), f.dir, nights.NewClock(nights.First.Add(24*365*time.Hour)), func(s *store.Store) error {
		return s.View(t.Context(), func(v *store.Snapshot) error {
			for _, kind := range []string{event.KindCase, event.KindBag, event.KindBatch, event.KindDam, event.KindTemperature} {
				if err := checkStates(t, v, kind); err != nil {
					return err
				}
			}
			return nil
		})
	}))
	bytes, err := journalBytes(f.dir)
	require.NoError(t, err)
	require.InDelta(t, 420, float64(bytes)/2000, 60)
}

func checkStates(t *testing.T, v *store.Snapshot, kind string) error {
	n := 0
	err := v.Each(kind, func(s ledger.State) (bool, error) {
		n++
		require.Empty(t, s.Discrepancies(), "%s", s.Key())
		touching := 0
		err := v.Records(s.Key(), func(*event.Record) error { touching++; return nil })
		require.LessOrEqual(t, touching, 40, "%s", s.Key())
		return true, err
	})
	require.Positive(t, n, kind)
	return err
}

func TestPercentile(t *testing.T) {
	require.Zero(t, percentile(nil, 50))
	testrun.Check(t, func(t *rapid.T) {
		var times []time.Duration
		for range rapid.IntRange(1, 300).Draw(t, "n") {
			times = append(times, time.Duration(rapid.IntRange(0, 1000).Draw(t, "time")))
		}
		p := rapid.IntRange(1, 100).Draw(t, "p")
		got := percentile(times, p)
		below, upTo := 0, 0
		for _, d := range times {
			if d < got {
				below++
			}
			if d <= got {
				upTo++
			}
		}
		require.Less(t, below*100, p*len(times))
		require.GreaterOrEqual(t, upTo*100, p*len(times))
	})
}

func BenchmarkPush(b *testing.B)    { benchmarkOnly(b, "push_folded_100k") }
func BenchmarkPull(b *testing.B)    { benchmarkOnly(b, "pull_folded_100k") }
func BenchmarkUrgent(b *testing.B)  { benchmarkOnly(b, "urgent_1000") }
func BenchmarkRecord(b *testing.B)  { benchmarkOnly(b, "record_one") }
func BenchmarkAnswers(b *testing.B) { benchmarkOnly(b, "audit_year_100k") }

// benchmarkOnly runs one measure, for a profile of it.
func benchmarkOnly(b *testing.B, name string) {
	for b.Loop() {
		var out bytes.Buffer
		require.NoError(b, Run(context.Background(), Config{Only: name, Out: &out, Dir: b.TempDir()}))
		b.Log(out.String())
	}
}
