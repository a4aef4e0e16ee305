package store

import (
	"context"
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/index/indextest"
	"thawtrail/internal/store/journal/memfs"
	"thawtrail/internal/testrun"
	pb "thawtrail/proto/thawtrail/v1"
)

// mixed is a draft of one of a few kinds; some change what others may do.
func mixed(r *rand.Rand, founded *event.Record) Draft {
	bag := fmt.Sprintf("BAG%03d", r.IntN(200))
	var d Draft
	switch r.IntN(8) {
	case 0:
		d = hold("P", "H-1")
	case 1:
		d = Draft{Type: 33, Payload: &pb.BagsMoved{Bags: []string{bag}, ToPlace: "NORTH"}}
	case 2:
		d = Draft{Type: 42, Payload: &pb.BagThawed{Bag: bag}, RequestID: fmt.Sprintf("click%d", r.IntN(1000))}
	case 3:
		if r.IntN(4) > 0 {
			d = Draft{Type: 46, Payload: &pb.BagDiscarded{Bag: bag, Reason: pb.DiscardReason_DISCARD_REASON_BROKEN}}
			break
		}
		d = Draft{Type: event.TypeRoleGranted, Payload: &pb.RoleGranted{Person: fmt.Sprintf("vet%d", r.IntN(9)), Roles: []pb.Role{pb.Role_ROLE_VET}}}
	case 4:
		if founded != nil && r.IntN(3) == 0 {
			d = Draft{Type: event.TypeRightsRevoked, Payload: &pb.RightsRevoked{Grant: founded.Hash.String(), Reason: "left"}}
			break
		}
		fallthrough
	default:
		d = received(bag, "P", "H-1")
	}
	d.Author = "owner"
	if founded != nil {
		d.Grant = founded.Hash[:]
	}
	return d
}

func founding() Draft {
	return Draft{Type: event.TypePracticeFounded, Author: "owner", Payload: &pb.PracticeFounded{
		Practice: "practice", Name: "Alder Creek Equine", Zone: "Australia/Sydney", Currency: "AUD", Owner: "owner", OwnerName: "M. Alder"}}
}

// index rows of a kind, for comparison.
func rows(t *testing.T, ix index.Index, prefix string) map[string]string {
	t.Helper()
	out := map[string]string{}
	require.NoError(t, ix.View(func(r index.Reader) error {
		return r.Scan([]byte(prefix), nil, false, func(k, v []byte) (bool, error) {
			out[string(k)] = string(v)
			return true, nil
		})
	}))
	return out
}

// requireRows names the first row that differs.
func requireRows(t *testing.T, want, got map[string]string) {
	t.Helper()
	for _, k := range slices.Sorted(maps.Keys(want)) {
		require.Equal(t, want[k], got[k], "row %q", k)
	}
	for _, k := range slices.Sorted(maps.Keys(got)) {
		if _, ok := want[k]; !ok { // Contains walks the whole map for each key
			require.Fail(t, "a row too many", "row %q", k)
		}
	}
}

func find(t *testing.T, s *Store, term string) (out []event.Key) {
	t.Helper()
	require.NoError(t, s.View(t.Context(), func(v *Snapshot) (err error) {
		out, err = v.Find(term, 1000)
		return err
	}))
	return out
}

// findAll lists what is found under all terms that begin so.
func findAll(t *testing.T, s *Store, start string) (out []event.Key) {
	t.Helper()
	require.NoError(t, s.View(t.Context(), func(v *Snapshot) error {
		return v.FindAll(start, func(f Found) (bool, error) {
			out = append(out, f.Key)
			return true, nil
		})
	}))
	return out
}

// requireRebuilt compares a replica with one whose index is built from nothing.
func requireRebuilt(t *testing.T, s *Store, opt Options) {
	t.Helper()
	want := digest(t, s)
	_, err := s.Settle(t.Context())
	require.NoError(t, err)
	opt.unclean, opt.Far = false, 0
	opt.FS, opt.Index = opt.FS.(*memfs.FS).CrashClone(memfs.Keep), index.NewMemory()
	fresh, err := Open(t.Context(), opt)
	require.NoError(t, err)
	for _, prefix := range []string{"s/", "l/", "t/", "u/", "q/"} {
		requireRows(t, rows(t, fresh.opt.Index, prefix), rows(t, s.opt.Index, prefix))
	}
	require.Equal(t, digest(t, fresh), want, "state from scratch")
	all := map[string]bool{}
	for _, row := range rows(t, s.opt.Index, "t/") {
		terms, _, _ := strings.Cut(row, "\x00\x00") // its line comes after
		for _, term := range strings.FieldsFunc(terms, func(r rune) bool { return r == 0 }) {
			all[term] = true
		}
	}
	for _, term := range slices.Sorted(maps.Keys(all)) {
		require.Equal(t, find(t, fresh, term), find(t, s, term), "term %q", term)
	}
	require.Equal(t, findAll(t, fresh, "doubt"), findAll(t, s, "doubt"))
	require.Empty(t, rows(t, s.opt.Index, "d/"))
	require.Empty(t, rows(t, s.opt.Index, "r"))
	require.Equal(t, fresh.Held(), s.Held())
	require.NoError(t, fresh.Close())
}

// What was acknowledged is there after any crash, and the state that grew record
// by record, over crashes that lost index updates, is the state from scratch.
func TestCrashesLoseNothing(t *testing.T) {
	for seed := range uint64(testrun.Of(8, 25)) {
		r := rand.New(rand.NewPCG(seed, 1))
		fs, trail := memfs.New(), &indextest.Trail{}
		peer := openMemory(t, 90)
		acked := map[event.Hash]standing{}
		var founded *event.Record
		for life := range uint64(6) {
			trail = trail.Reopened()
			opt := memoryOptions(20+life, fs, trail)
			opt.Device, opt.SegmentMax, opt.Far = deviceKey(20), 8<<10, []int{0, 1, 8}[seed%3]
			s, err := Open(t.Context(), opt)
			require.NoError(t, err)
			for h, at := range acked {
				require.True(t, s.Holds(at.log, at.tip(h)), "seed %d, life %d: an acknowledged record is gone", seed, life)
			}
			for range 12 {
				drafts := []Draft{mixed(r, founded), mixed(r, founded)}
				if founded == nil {
					drafts = append(drafts, founding())
				}
				recs, err := s.Append(t.Context(), drafts...)
				require.NoError(t, err)
				for _, rec := range recs {
					acked[rec.Hash] = standing{rec.Log, rec.Seq()}
				}
				if founded == nil {
					founded = recs[2]
				}
				switch r.IntN(5) {
				case 0:
					require.NoError(t, s.CatchUp(t.Context()))
				case 1:
					_, err := peer.Append(t.Context(), mixed(r, founded))
					require.NoError(t, err)
					give(t, peer, s)
				case 2:
					require.NoError(t, s.projection.ApplyPriority(t.Context()))
				case 3:
					_, err := s.Settle(t.Context())
					require.NoError(t, err)
				}
			}
			if r.IntN(3) > 0 {
				requireRebuilt(t, s, opt)
			} // else it stops while updates are gathered
			fs = fs.CrashClone(r.IntN)
			trail = trail.AsOf(max(0, trail.Len()-r.IntN(8)))
		}
	}
}

// standing is where a record stands.
type standing struct {
	log event.LogID
	seq uint64
}

func (e standing) tip(h event.Hash) exchange.Tip { return exchange.Tip{Seq: e.seq, Hash: h} }

// An unclean stop can take updates out of the middle of the index while its
// cursor is the newest. Applying again from well behind finds them all, also when
// the next stop comes in the middle of that.
func TestUpdatesLostFromTheMiddle(t *testing.T) {
	const behind = 64 << 10
	lost, seeds := 0, testrun.Of(5, 20)
	for seed := range uint64(seeds) {
		r := rand.New(rand.NewPCG(seed, 2))
		fs, trail := memfs.New(), &indextest.Trail{}
		var founded *event.Record
		safe := 0
		for life := range uint64(7) {
			trail = trail.Reopened()
			opt := memoryOptions(30, fs, trail)
			opt.Random, opt.unclean, opt.behind, opt.Far = chacha(life), true, behind, []int{0, 2, 8}[seed%3]
			ctx, die := context.WithCancel(t.Context())
			d := &dying{trail, 1 << 30, die}
			if opt.Index = d; life > 0 && r.IntN(3) == 0 {
				d.left = r.IntN(6)
			}
			s, err := Open(ctx, opt)
			if d.left = 1 << 30; err == nil {
				founded = live(t, s, r, founded)
				switch r.IntN(3) {
				case 0:
					d.left = r.IntN(4)
					_, _ = s.Settle(ctx) // the stop comes in the middle of it
				case 1:
					requireRebuilt(t, s, opt)
				}
			} else {
				require.ErrorIs(t, err, context.Canceled)
			}
			die()
			fs = fs.CrashClone(memfs.Lose)
			lost += cutMiddle(&trail, r, behind, &safe)
		}
	}
	require.Greater(t, lost, 3*seeds, "updates were really lost; what is gathered goes down in few of them")
}

// dying is an index that stops the program after a few updates.
type dying struct {
	*indextest.Trail
	left int
	die  func()
}

func (d *dying) Update(fn func(index.Writer) error) error {
	if d.left--; d.left < 0 {
		d.die()
		return context.Canceled
	}
	return d.Trail.Update(fn)
}

// live writes for a while, catching up after every few records.
func live(t *testing.T, s *Store, r *rand.Rand, founded *event.Record) *event.Record {
	if founded == nil {
		recs, err := s.Append(t.Context(), founding())
		require.NoError(t, err)
		founded = recs[0]
	}
	for range 20 + r.IntN(30) {
		_, err := s.Append(t.Context(), mixed(r, founded))
		require.NoError(t, err)
		switch r.IntN(4) {
		case 0:
			require.NoError(t, s.CatchUp(t.Context()))
		case 1:
			require.NoError(t, s.projection.ApplyPriority(t.Context()))
		case 2:
			_, err := s.Settle(t.Context())
			require.NoError(t, err)
		}
	}
	require.NoError(t, s.CatchUp(t.Context()))
	return founded
}

// cutMiddle loses a stretch of updates out of those that tables in memory can
// still hold: the newest, as many as fit, and none that was on the disk before.
func cutMiddle(trail **indextest.Trail, r *rand.Rand, behind int, safe *int) int {
	from, size := (*trail).Len(), 0
	*safe = max(*safe, (*trail).Persisted)
	for from > *safe && size+(*trail).Bytes(from-1) < behind {
		from--
		size += (*trail).Bytes(from)
	}
	*safe = from
	window := (*trail).Len() - from
	if window < 3 {
		return 0
	}
	from += r.IntN(window / 2)
	to := from + 1 + r.IntN((*trail).Len()-from-1)
	*trail = (*trail).Without(from, to)
	return to - from
}

// A fork inside one batch, one over two batches, and one that comes as records
// of another device are all told, whatever order the branches come in.
func TestForksAreTold(t *testing.T) {
	fs := memfs.New()
	s, err := Open(t.Context(), memoryOptions(5, fs, index.NewMemory()))
	require.NoError(t, err)
	_, err = s.Append(t.Context(), received("BAG1", "P", "H-1"))
	require.NoError(t, err)
	opt := memoryOptions(5, fs.CrashClone(memfs.Keep), index.NewMemory())
	opt.Random = chacha(99)
	twin, err := Open(t.Context(), opt)
	require.NoError(t, err)
	for i := range 70 { // past what one row of the index takes
		_, err = s.Append(t.Context(), received(fmt.Sprintf("LEFT%d", i), "P", "H-1"))
		require.NoError(t, err)
		_, err = twin.Append(t.Context(), received(fmt.Sprintf("RIGHT%d", i), "P", "H-1"))
		require.NoError(t, err)
	}
	hub, late := openMemory(t, 6), openMemory(t, 7)
	give(t, s, hub)
	give(t, twin, hub) // without a look at the state in between: one batch
	give(t, s, late)
	before := digest(t, late)
	give(t, twin, late)
	give(t, hub, late)
	give(t, late, hub)
	require.NotEqual(t, before, digest(t, late))
	require.Equal(t, digest(t, hub), digest(t, late))
	own := s.OwnLogs()[0]
	require.NoError(t, hub.View(t.Context(), func(v *Snapshot) error {
		log, _, err := Get[*ledger.Log](v, event.LogKey(own))
		require.EqualValues(t, 2, log.ForkSeq)
		require.Equal(t, ledger.LogForked, log.Discrepancies()[0].Kind)
		for _, id := range []string{"LEFT0", "RIGHT69"} {
			bag, _, err := Get[*ledger.Bag](v, event.Key{Kind: event.KindBag, ID: id})
			require.NoError(t, err)
			require.True(t, bag.Timeline[0].Marks.Has(ledger.MarkForked), id)
		}
		return err
	}))
	h, _ := hub.HeldOne(own)
	require.Len(t, h.Tips, 2)
	require.EqualValues(t, 2, h.Fork)
	for from := uint64(0); from < 72; from += 5 {
		run, next, err := hub.ReadRun(t.Context(), own, from, 1<<20)
		require.NoError(t, err)
		require.EqualValues(t, 72, next)
		require.Len(t, run.Records, int(72-from+min(70, 72-from)), "both branches from %d on", from)
	}
	require.NoError(t, s.Close())
	require.NoError(t, twin.Close())
}

// Damage that is met while the replica runs takes no record's place silently: it
// is said, the log it hit is not written on, and another replica refills it.
func TestDamageIsSaidAndRefilled(t *testing.T) {
	fs := memfs.New()
	a, err := Open(t.Context(), memoryOptions(8, fs, index.NewMemory()))
	require.NoError(t, err)
	b := openMemory(t, 9)
	for i := range 20 {
		_, err := a.Append(t.Context(), received(fmt.Sprintf("BAG%d", i), "P", "H-1"))
		require.NoError(t, err)
	}
	meet(t, a, b)
	want, old := digest(t, b), a.OwnLogs()
	require.Equal(t, want, digest(t, a))
	places, err := a.projection.Places(old[0], 0, 100)
	require.NoError(t, err)
	for _, seq := range []int{0, 7, 20} { // the opening, the middle, the tip
		p := places[seq].Pos
		require.NoError(t, fs.Flip("replica/journal/0000000001.journal", int(p.Offset)+40, 4))
	}
	require.NoError(t, a.Scrub(t.Context()))
	require.Len(t, a.Repairs(), 3)
	h, _ := a.HeldOne(old[0])
	require.EqualValues(t, 19, h.Tip().Seq)
	require.Len(t, h.Missing, 2)
	require.NoError(t, a.Scrub(t.Context()))
	require.Len(t, a.Repairs(), 3, "said once")

	recs, err := a.Append(t.Context(), received("NEW", "P", "H-1"))
	require.NoError(t, err)
	require.NotContains(t, old, recs[0].Log)
	again, err := a.Append(t.Context(), received("NEWER", "P", "H-1"))
	require.NoError(t, err)
	require.Equal(t, recs[0].Log, again[0].Log, "one new epoch is enough")
	meet(t, a, b)
	h, _ = a.HeldOne(old[0])
	require.Empty(t, h.Missing)
	require.EqualValues(t, 20, h.Tip().Seq)
	require.Zero(t, h.Fork, "a refilled record is no fork")
	require.Equal(t, digest(t, b), digest(t, a))
	require.NoError(t, a.Close())

	a, err = Open(t.Context(), memoryOptions(8, fs, index.NewMemory()))
	require.NoError(t, err)
	require.Equal(t, digest(t, b), digest(t, a))
	require.Contains(t, a.OwnLogs(), recs[0].Log, "old damage opens no more logs")
	require.NoError(t, a.Close())
}

// A journal that lost its end is noticed by the index, and no number is used twice.
func TestLostEndOpensNewLogs(t *testing.T) {
	fs, ix := memfs.New(), &indextest.Trail{}
	ix = ix.Reopened()
	s, err := Open(t.Context(), memoryOptions(10, fs, ix))
	require.NoError(t, err)
	_, err = s.Append(t.Context(), received("BAG1", "P", "H-1"))
	require.NoError(t, err)
	older := fs.CrashClone(memfs.Keep)
	_, err = s.Append(t.Context(), received("BAG2", "P", "H-1"))
	require.NoError(t, err)
	require.NoError(t, s.SetLocal("fact", []byte("kept")))
	own := s.OwnLogs()
	digest(t, s)

	opt := memoryOptions(10, older, ix.Reopened())
	opt.Random = chacha(98)
	back, err := Open(t.Context(), opt)
	require.NoError(t, err)
	require.NotEmpty(t, back.Repairs())
	for _, id := range back.OwnLogs() {
		require.NotContains(t, own, id)
	}
	fact, err := back.Local("fact")
	require.NoError(t, err)
	require.Equal(t, "kept", string(fact), "what is not derived stays")
	give(t, s, back)
	found, err := back.projection.RecordsAt(own[0], 2)
	require.NoError(t, err)
	require.NotEmpty(t, found)
	require.NoError(t, back.Close())
	require.NoError(t, s.Close())
}

// That the end was lost is remembered until new logs are open, whatever stops the
// program in between.
func TestLostEndIsRememberedOverACrash(t *testing.T) {
	fs, ix := memfs.New(), (&indextest.Trail{}).Reopened()
	s, err := Open(t.Context(), memoryOptions(10, fs, ix))
	require.NoError(t, err)
	older := fs.CrashClone(memfs.Keep)
	_, err = s.Append(t.Context(), received("GONE", "P", "H-1"))
	require.NoError(t, err)
	digest(t, s)
	own := s.OwnLogs()

	crashes := 0
	for opened := false; !opened; crashes++ {
		require.Less(t, crashes, 100)
		opt := memoryOptions(10, older.CrashClone(memfs.Keep), nil)
		opt.Random = chacha(98)
		ctx, die := context.WithCancel(t.Context())
		trail := ix.Reopened()
		opt.Index = &dying{trail, crashes, die}
		_, err := Open(ctx, opt)
		opened = err == nil
		die()
		opt.Random, opt.Index = chacha(97), trail.Reopened()
		back, err := Open(t.Context(), opt)
		require.NoError(t, err)
		for _, id := range back.OwnLogs() {
			require.NotContains(t, own, id, "after %d updates", crashes)
		}
		require.NoError(t, back.Close())
	}
	require.Greater(t, crashes, 3)
}
