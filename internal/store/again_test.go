package store

import (
	"errors"
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal"
	"thawtrail/internal/store/journal/memfs"
	"thawtrail/internal/testrun"
	pb "thawtrail/proto/thawtrail/v1"
)

// nowhere is what a server says that never had what is missing.
func nowhere(event.LogID, uint64) bool { return false }

// bag is the n-th entry of these tests.
func bag(n int) Draft {
	d := received(fmt.Sprintf("BAG%02d", n), "P", "H-1")
	d.Author, d.RequestID = "reed", fmt.Sprintf("request %d", n)
	d.Proof = &pb.AuthorProof{Kind: pb.ProofKind_PROOF_KIND_PIN, ProvenUs: 5}
	return d
}

// broken is a laptop's disk with n entries in one log, of which some were damaged.
func broken(t *testing.T, seed uint64, n int, damaged ...int) (*memfs.FS, []*event.Record) {
	t.Helper()
	disk := memfs.New()
	s, err := Open(t.Context(), memoryOptions(seed, disk, index.NewMemory()))
	require.NoError(t, err)
	var recs []*event.Record
	for i := range n {
		out, err := s.Append(t.Context(), bag(i))
		require.NoError(t, err)
		recs = append(recs, out...)
	}
	require.NoError(t, s.CatchUp(t.Context()))
	for _, i := range damaged {
		at := positionOf(t, s, recs[i])
		require.NoError(t, disk.Flip("replica/journal/0000000001.journal", int(at.Offset)+40, 1))
	}
	require.NoError(t, s.Close())
	return disk, recs
}

func reopen(t *testing.T, seed uint64, disk journal.FS) *Store {
	t.Helper()
	o := memoryOptions(seed, disk, index.NewMemory())
	o.Random = chacha(seed + 1000)
	s, err := Open(t.Context(), o)
	require.NoError(t, err)
	return s
}

// carriers counts, in the journal itself, the records that carry each one.
func carriers(t *testing.T, s *Store) (count map[event.Hash]int, lost int) {
	t.Helper()
	count = map[event.Hash]int{}
	err := s.truth.Scan(journal.Position{}, func(_ journal.Position, frame []byte) error {
		r, err := event.Decode(append([]byte(nil), frame...))
		if err != nil {
			return err
		}
		if o := r.Original(); o != r {
			count[o.Hash]++
		}
		if r.Head.Type == event.TypeRecordsLost {
			lost++
		}
		return nil
	}, func(_, _ journal.Position, _ string) error { return nil })
	require.NoError(t, err)
	return count, lost
}

// One damaged record among 40 that nobody else had: all others come to the server,
// each once, as what they were; the hole is said, and both sides fold the same.
func TestWhatIsStrandedIsSavedAgain(t *testing.T) {
	for _, damaged := range [][]int{{7}, {0}, {7, 8, 20}, {38}} {
		t.Run(fmt.Sprint(damaged), func(t *testing.T) {
			disk, recs := broken(t, 51, 40, damaged...)
			laptop, hub := reopen(t, 51, disk), openMemory(t, 52)
			meet(t, laptop, hub)
			behind := 40 - damaged[0] - len(damaged)
			before := ownRecords(laptop, recs[0].Log)
			require.EqualValues(t, behind, before.Stranded)
			n, err := laptop.SaveAgain(t.Context(), nowhere)
			require.NoError(t, err)
			require.Equal(t, behind, n)
			require.Zero(t, ownRecords(laptop, recs[0].Log).Stranded)
			meet(t, laptop, hub)
			require.NoError(t, hub.CatchUp(t.Context()))
			gone := map[int]bool{}
			for _, i := range damaged {
				gone[i] = true
			}
			for i, r := range recs {
				got, err := hub.FindRecord(r.Hash.String())
				if gone[i] {
					require.ErrorIs(t, err, ErrNotFound)
					continue
				}
				require.NoError(t, err)
				require.Equal(t, string(r.Raw.Header), string(got.Raw.Header), "byte by byte")
				require.Equal(t, string(r.Raw.Payload), string(got.Raw.Payload))
			}
			require.Equal(t, digest(t, laptop), digest(t, hub))
			require.Equal(t, []string{ledger.LostRecords}, kindsOf(logOf(t, hub, recs[0].Log)))
			require.NoError(t, laptop.View(t.Context(), func(v *Snapshot) error {
				for i, r := range recs {
					if got, ok, err := v.ByRequest(fmt.Sprintf("request %d", i)); !gone[i] {
						require.NoError(t, err)
						require.True(t, ok)
						require.Equal(t, r.Hash, got.Hash, "a second click makes no second record")
					}
				}
				return nil
			}))
			n, err = laptop.SaveAgain(t.Context(), nowhere)
			require.NoError(t, err)
			require.Zero(t, n, "once")
			require.NoError(t, laptop.Close())
		})
	}
}

func ownRecords(s *Store, log event.LogID) OwnLog {
	list, err := s.OwnRecords()
	if err != nil {
		return OwnLog{}
	}
	for _, o := range list {
		if o.Log == log {
			return o
		}
	}
	return OwnLog{}
}

// What somebody else holds is waited for, and when the originals turn up after all
// they are the records that were carried: nothing is there twice.
func TestTheOriginalTurnsUp(t *testing.T) {
	disk, recs := broken(t, 53, 12)
	other := openMemory(t, 54)
	whole := reopen(t, 53, disk.CrashClone(memfs.Keep))
	give(t, whole, other) // as by a stick
	require.NoError(t, whole.Close())
	disk, _ = broken(t, 53, 12, 4)
	laptop, hub := reopen(t, 53, disk), openMemory(t, 55)
	n, err := laptop.SaveAgain(t.Context(), func(log event.LogID, seq uint64) bool {
		require.Equal(t, recs[0].Log, log)
		require.EqualValues(t, 5, seq)
		return true
	})
	require.NoError(t, err)
	require.Zero(t, n)
	_, err = laptop.SaveAgain(t.Context(), nowhere)
	require.NoError(t, err)
	meet(t, laptop, hub)
	bags := bagsOf(t, hub)
	require.Len(t, bags, 11)
	meet(t, other, hub)
	meet(t, laptop, hub)
	require.Len(t, bagsOf(t, hub), 12)
	for id, b := range bags {
		require.Len(t, b.Timeline, 1, id)
		require.Equal(t, b, bagsOf(t, hub)[id], "told once, as before")
	}
	for _, s := range []*Store{other, laptop} {
		meet(t, s, hub)
		require.Equal(t, digest(t, hub), digest(t, s))
	}
	require.NoError(t, laptop.Close())
}

func bagsOf(t *testing.T, s *Store) map[string]*ledger.Bag {
	t.Helper()
	out := map[string]*ledger.Bag{}
	require.NoError(t, s.View(t.Context(), func(v *Snapshot) error {
		return v.Each(event.KindBag, func(st ledger.State) (bool, error) {
			b := st.(*ledger.Bag)
			out[b.Entity.ID] = b
			return true, nil
		})
	}))
	return out
}

// A laptop that is stopped at any operation of its disk while it saves again, with
// whatever of its unsynced writes survives, carries the rest at the next start and
// nothing twice.
func TestAStopWhileSavingAgain(t *testing.T) {
	made, recs := broken(t, 56, 80, 3, 50)
	stride := testrun.Of(7, 1)
	for n, struck := 1, true; struck; n += stride {
		for name, survives := range map[string]memfs.Choose{"lose": memfs.Lose, "keep": memfs.Keep} {
			disk := made.CrashClone(memfs.Keep)
			laptop := reopen(t, 56, disk)
			count := 0
			disk.SetHook(func(op memfs.Op) memfs.Fault {
				switch op.Kind {
				case memfs.Write, memfs.Sync, memfs.Create:
					if count++; count >= n {
						return memfs.Fault{Err: errors.New("input/output error")}
					}
				}
				return memfs.Fault{}
			})
			_, err := laptop.SaveAgain(t.Context(), nowhere)
			struck = count >= n
			require.Equal(t, struck, err != nil, "%v", err)
			image := disk.CrashClone(survives)
			_ = laptop.Close() // its disk is gone
			image.SetHook(nil)

			laptop = reopen(t, 56, image)
			_, err = laptop.SaveAgain(t.Context(), nowhere)
			require.NoError(t, err, "%s at %d", name, n)
			times, lost := carriers(t, laptop)
			require.Equal(t, 2, lost, "%s at %d: each hole is said once", name, n)
			require.Len(t, times, 80-3-2)
			for h, c := range times {
				require.Equal(t, 1, c, "%s at %d: record %s", name, n, h.Short())
			}
			require.NoError(t, laptop.Close())
		}
	}
	require.Len(t, recs, 80)
}

// The log that carries is damaged too, before it was sent: what it carried is carried
// once more, by a third log.
func TestTheCarryingLogIsDamagedToo(t *testing.T) {
	disk, recs := broken(t, 57, 20, 5)
	laptop := reopen(t, 57, disk)
	_, err := laptop.SaveAgain(t.Context(), nowhere)
	require.NoError(t, err)
	require.NoError(t, laptop.CatchUp(t.Context()))
	by, err := laptop.CarrierOf(recs[10].Hash)
	require.NoError(t, err)
	at := positionOf(t, laptop, by)
	require.NoError(t, laptop.Close())
	require.NoError(t, disk.Flip(fmt.Sprintf("replica/journal/%010d.journal", at.Segment), int(at.Offset)+40, 1))

	laptop, hub := reopen(t, 57, disk), openMemory(t, 58)
	require.NoError(t, laptop.Scrub(t.Context()))
	meet(t, laptop, hub)
	n, err := laptop.SaveAgain(t.Context(), nowhere)
	require.NoError(t, err)
	require.Equal(t, 10, n, "the one that was damaged, and those behind it")
	meet(t, laptop, hub)
	require.NoError(t, hub.CatchUp(t.Context()))
	for i, r := range recs {
		_, err := hub.FindRecord(r.Hash.String())
		require.Equal(t, i == 5, errors.Is(err, ErrNotFound), "%d: %v", i, err)
	}
	require.Equal(t, digest(t, laptop), digest(t, hub))
	require.NoError(t, laptop.Close())
}
