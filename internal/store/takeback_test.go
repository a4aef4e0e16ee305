package store

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/index/indextest"
	"thawtrail/internal/store/journal/memfs"
	pb "thawtrail/proto/thawtrail/v1"
)

// sickAfter lets reads of a disk fail after some.
func sickAfter(fs *memfs.FS, good int) {
	fs.SetHook(func(op memfs.Op) (f memfs.Fault) {
		if op.Kind == memfs.Read {
			if good--; good < 0 {
				f.Err = errIO
			}
		}
		return f
	})
}

// requireAsNew sees that a store answers as one that is opened anew on its disk.
func requireAsNew(t *testing.T, s *Store, opt Options, what string) {
	t.Helper()
	opt.FS, opt.Index, opt.Random = opt.FS.(*memfs.FS).CrashClone(memfs.Keep), index.NewMemory(), chacha(94)
	fresh, err := Open(t.Context(), opt)
	require.NoError(t, err)
	require.Equal(t, digest(t, fresh), digest(t, s), what)
	require.Equal(t, fresh.Held(), s.Held(), what)
	require.Equal(t, fresh.Records(), s.Records(), what)
	require.NoError(t, fresh.Close())
}

// A store that began on a disk that could not be read takes its records back once the
// disk is well, and needs no new start: whether the index was there or is made anew,
// and whatever is written meanwhile.
func TestRecordsComeBackToARunningStore(t *testing.T) {
	other := openMemory(t, 12)
	_, err := other.Append(t.Context(), received("BAG8", "P", "H-1"), hold("P", "H-1"))
	require.NoError(t, err)
	taken := 0
	for _, indexed := range []bool{true, false} {
		for good := range 14 {
			what := fmt.Sprintf("index %v, %d good reads", indexed, good)
			fs, trail := memfs.New(), (&indextest.Trail{}).Reopened()
			opt := memoryOptions(9, fs, trail)
			opt.SegmentMax = 4 << 10
			s, err := Open(t.Context(), opt)
			require.NoError(t, err)
			for n := range 12 {
				_, err = s.Append(t.Context(), received(fmt.Sprintf("BAG%d", n), "P", "H-1"))
				require.NoError(t, err)
			}
			give(t, other, s)
			digest(t, s)
			require.NoError(t, s.Close())

			if opt.Index = trail.Reopened(); !indexed {
				opt.Index = (&indextest.Trail{}).Reopened()
			}
			opt.Random = chacha(95)
			sickAfter(fs, good)
			s, err = Open(t.Context(), opt)
			if err != nil {
				continue // it did not start at all
			}
			_, err = s.Append(t.Context(), received("BAG3", "P", "H-2"))
			require.NoError(t, err)
			require.NoError(t, s.CatchUp(t.Context()))
			n, err := s.TakeBack(t.Context())
			require.NoError(t, err)
			require.Zero(t, n, "%s: the disk is as it was", what)
			s.Held() // somebody asks meanwhile

			fs.SetHook(nil)
			n, err = s.TakeBack(t.Context())
			require.NoError(t, err)
			taken += n
			requireAsNew(t, s, opt, what)
			n, err = s.TakeBack(t.Context())
			require.NoError(t, err)
			require.Zero(t, n, "%s: once", what)
			require.NoError(t, s.Close())
			back := opt.Index.(*indextest.Trail).Reopened()
			opt.Index = back
			s, err = Open(t.Context(), opt)
			require.NoError(t, err)
			requireAsNew(t, s, opt, what+", started again")
			require.NoError(t, s.Close())
		}
	}
	require.Greater(t, taken, 50)
}

// What stays unreadable beside what comes back is neither forgotten nor taken twice.
func TestWhatIsStillUnreadableIsRemembered(t *testing.T) {
	fs, trail := memfs.New(), (&indextest.Trail{}).Reopened()
	opt := memoryOptions(9, fs, trail)
	s, err := Open(t.Context(), opt)
	require.NoError(t, err)
	recs, err := s.Append(t.Context(), received("BAG1", "P", "H-1"), received("BAG2", "P", "H-1"), received("BAG3", "P", "H-1"))
	require.NoError(t, err)
	require.NoError(t, s.CatchUp(t.Context()))
	at := positionOf(t, s, recs[1])
	require.NoError(t, s.Close())
	require.NoError(t, fs.Flip("replica/journal/0000000001.journal", int(at.Offset)+20, 1))

	opt.Index, opt.Random = (&indextest.Trail{}).Reopened(), chacha(95)
	sickAfter(fs, 3)
	s, err = Open(t.Context(), opt)
	require.NoError(t, err)
	fs.SetHook(nil)
	known := func(bag string) (ok bool) {
		require.NoError(t, s.View(t.Context(), func(v *Snapshot) (err error) {
			_, ok, err = Get[*ledger.Bag](v, event.Key{Kind: event.KindBag, ID: bag})
			return err
		}))
		return ok
	}
	require.False(t, known("BAG1"))
	n, err := s.TakeBack(t.Context())
	require.NoError(t, err)
	require.Positive(t, n)
	require.True(t, known("BAG1"))
	require.False(t, known("BAG2"), "it is damaged for good")
	require.True(t, known("BAG3"))
	n, err = s.TakeBack(t.Context())
	require.NoError(t, err)
	require.Zero(t, n)
	require.NoError(t, fs.Flip("replica/journal/0000000001.journal", int(at.Offset)+20, 1), "as if by another cable")
	n, err = s.TakeBack(t.Context())
	require.NoError(t, err)
	require.Equal(t, 1, n)
	requireAsNew(t, s, opt, "all are there")

	require.NoError(t, fs.Flip("replica/journal/0000000001.journal", int(positionOf(t, s, recs[0]).Offset)+20, 1))
	require.NoError(t, s.Scrub(t.Context()))
	h, _ := s.HeldOne(recs[0].Log)
	require.NotEmpty(t, h.Missing, "new damage where the disk was well again is new")
	require.NoError(t, s.Close())
}

// A record that could not be read while its entity was folded is applied again alone.
// What was applied with it the first time stays known.
func TestOneOfABatchIsTakenBack(t *testing.T) {
	fs, trail := memfs.New(), (&indextest.Trail{}).Reopened()
	opt := memoryOptions(9, fs, trail)
	s, err := Open(t.Context(), opt)
	require.NoError(t, err)
	require.NoError(t, s.CatchUp(t.Context()), "the next batch begins with the next record")
	recs, err := s.Append(t.Context(), received("BAG1", "P", "H-1"), received("BAG1", "P", "H-2"), received("BAG1", "P", "H-3"))
	require.NoError(t, err)
	require.NoError(t, s.CatchUp(t.Context()))
	first := positionOf(t, s, recs[0])
	require.NoError(t, s.Close())

	opt.Index, opt.Random = trail.Reopened(), chacha(95)
	s, err = Open(t.Context(), opt)
	require.NoError(t, err)
	fs.SetHook(func(op memfs.Op) (f memfs.Fault) {
		if op.Kind == memfs.Read && op.Offset == int64(first.Offset) {
			f.Err = errIO
		}
		return f
	})
	_, err = s.Append(t.Context(), received("BAG1", "P", "H-4"))
	require.NoError(t, err)
	require.NoError(t, s.CatchUp(t.Context()))
	fs.SetHook(nil)
	n, err := s.TakeBack(t.Context())
	require.NoError(t, err)
	require.Equal(t, 1, n)
	requireAsNew(t, s, opt, "all four")
	_, err = s.Append(t.Context(), received("BAG1", "P", "H-5"))
	require.NoError(t, err)
	requireAsNew(t, s, opt, "and a fifth")
	require.NoError(t, s.Close())
}

// The other branch of a fork comes while the disk cannot read this one's. Once it can, the
// table of logs says where they part, without a new start.
func TestAForkThatCameBesideWhatCouldNotBeRead(t *testing.T) {
	fs := memfs.New()
	opt := memoryOptions(5, fs, index.NewMemory())
	s, err := Open(t.Context(), opt)
	require.NoError(t, err)
	cloned := memoryOptions(5, fs.CrashClone(memfs.Keep), index.NewMemory())
	cloned.Random = chacha(99)
	twin, err := Open(t.Context(), cloned)
	require.NoError(t, err)
	for _, batch := range []string{"H-1", "H-2"} {
		_, err = s.Append(t.Context(), received("LEFT", "P", batch))
		require.NoError(t, err)
		_, err = twin.Append(t.Context(), received("RIGHT", "P", batch))
		require.NoError(t, err)
	}
	own := s.OwnLogs()[0]
	run, _, err := twin.ReadRun(t.Context(), own, 0, 1<<20)
	require.NoError(t, err)

	sickAfter(fs, 0)
	_, err = s.Ingest(t.Context(), []*pb.Run{run})
	require.NoError(t, err)
	fs.SetHook(nil)
	_, err = s.TakeBack(t.Context())
	require.NoError(t, err)
	h, _ := s.HeldOne(own)
	require.EqualValues(t, 1, h.Fork)
	requireAsNew(t, s, opt, "the fork begins where it begins")
	require.NoError(t, s.Close())
	require.NoError(t, twin.Close())
}

// A disk that cannot be read for a while leaves more unread records behind than the index
// remembers one by one. It takes back every one of them.
func TestMoreIsTakenBackThanIsRemembered(t *testing.T) {
	const bags = 600
	fs, trail := memfs.New(), (&indextest.Trail{}).Reopened()
	opt := memoryOptions(9, fs, trail)
	s, err := Open(t.Context(), opt)
	require.NoError(t, err)
	for round := range 2 {
		for i := range bags {
			_, err = s.Append(t.Context(), received(fmt.Sprintf("BAG%d", i), "P", fmt.Sprintf("H-%d", round)))
			require.NoError(t, err)
		}
		require.NoError(t, s.CatchUp(t.Context()))
		if round == 0 { // what is remembered of them is gone with this run
			require.NoError(t, s.Close())
			opt.Index, opt.Random = trail.Reopened(), chacha(95)
			s, err = Open(t.Context(), opt)
			require.NoError(t, err)
			sickAfter(fs, 0)
		}
	}
	fs.SetHook(nil)
	_, err = s.TakeBack(t.Context())
	require.NoError(t, err)
	requireAsNew(t, s, opt, "all bags")
	require.NoError(t, s.Close())
}

// loose is an index of which a stop of the machine could still undo what was put in.
type loose struct {
	*indextest.Trail
	durable bool
}

func (l *loose) Persist() (bool, error) { return l.durable, nil }

// What was taken back lies where no start applies it again. Until a stop cannot undo
// that, the index remembers that it was passed over: the next start makes it anew.
func TestWhatWasTakenBackOutlivesAStop(t *testing.T) {
	for _, durable := range []bool{false, true} {
		fs := memfs.New()
		opt := memoryOptions(9, fs, (&indextest.Trail{}).Reopened())
		s, err := Open(t.Context(), opt)
		require.NoError(t, err)
		_, err = s.Append(t.Context(), received("BAG1", "P", "H-1"), received("BAG2", "P", "H-1"))
		require.NoError(t, err)
		require.NoError(t, s.Close())

		ix := &loose{(&indextest.Trail{}).Reopened(), durable}
		opt.Index, opt.Random = ix, chacha(95)
		sickAfter(fs, 3)
		s, err = Open(t.Context(), opt)
		require.NoError(t, err)
		before := ix.Len()
		fs.SetHook(nil)
		n, err := s.TakeBack(t.Context())
		require.NoError(t, err)
		require.Positive(t, n)
		after := ix.Len()
		_, err = s.Append(t.Context(), received("BAG3", "P", "H-1"))
		require.NoError(t, err)
		require.NoError(t, s.CatchUp(t.Context()))

		ix.Trail = ix.Reopened()
		if !durable { // an older of two write-ahead logs is cut
			ix.Trail = ix.Without(before, after).Reopened()
		}
		opt.FS, opt.Random = fs.CrashClone(memfs.Keep), chacha(96)
		s, err = Open(t.Context(), opt)
		require.NoError(t, err)
		requireAsNew(t, s, opt, fmt.Sprintf("durable: %v", durable))
		require.NoError(t, s.Close())
	}
}

// A write that was refused lies behind the end of its segment, and the next segment's
// header says that it does not count. While that header cannot be read it looks like
// any other record. A start that can read it counts it no more.
func TestARefusedWriteIsForgottenAgain(t *testing.T) {
	fs, trail := memfs.New(), (&indextest.Trail{}).Reopened()
	opt := memoryOptions(9, fs, trail)
	s, err := Open(t.Context(), opt)
	require.NoError(t, err)
	_, err = s.Append(t.Context(), received("BAG1", "P", "H-1"))
	require.NoError(t, err)
	fs.SetHook(func(op memfs.Op) (f memfs.Fault) {
		if op.Kind == memfs.Sync {
			f.Err = errIO
		}
		return f
	})
	_, err = s.Append(t.Context(), received("BAG1", "P", "REFUSED"))
	require.Error(t, err)
	fs.SetHook(nil)
	_, err = s.Append(t.Context(), received("BAG1", "P", "H-2"))
	require.NoError(t, err)
	want := digest(t, s)
	require.NoError(t, s.Close())

	trail = (&indextest.Trail{}).Reopened()
	opt.Index, opt.Random = trail, chacha(95)
	fs.SetHook(func(op memfs.Op) (f memfs.Fault) {
		if op.Kind == memfs.Read && op.Offset == 0 && op.Path != "replica/journal/0000000001.journal" {
			f.Err = errIO
		}
		return f
	})
	s, err = Open(t.Context(), opt)
	require.NoError(t, err)
	require.NotEqual(t, want, digest(t, s))
	fs.SetHook(nil)
	_, err = s.TakeBack(t.Context())
	require.ErrorIs(t, err, ErrStartAgain)
	require.Contains(t, s.Repairs(), ErrStartAgain.Error())
	require.NoError(t, s.Close())

	opt.Index = trail.Reopened()
	s, err = Open(t.Context(), opt)
	require.NoError(t, err)
	requireAsNew(t, s, opt, "started on a disk that is well")
	_, err = s.Append(t.Context(), received("BAG1", "P", "H-3"))
	require.NoError(t, err)
	requireAsNew(t, s, opt, "and goes on")
	require.NoError(t, s.Close())
}
