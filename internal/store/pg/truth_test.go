//go:build linux

package pg

import (
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"golang.org/x/sync/errgroup"

	"thawtrail/internal/clock"
	"thawtrail/internal/event"
	"thawtrail/internal/store"
	"thawtrail/internal/store/journal"
	"thawtrail/internal/store/pg/pgtest"
	"thawtrail/internal/store/projection"
	"thawtrail/internal/store/truthtest"
	"thawtrail/internal/testrun"
	"thawtrail/internal/wholefile"
	pb "thawtrail/proto/thawtrail/v1"
)

var closing = store.Opening{Key: make([]byte, 32), KeyID: "clinic-1"}

func opener(t testing.TB, p place, o store.Opening) truthtest.Opener {
	d := p.database(t)
	return func() (store.Truth, error) {
		l, err := d.Begin(context.Background(), p.practice, "")
		if err != nil {
			return nil, err
		}
		truth, _, err := l.Truth()(context.Background(), o)
		return truth, err
	}
}

func TestADatabaseKeepsTheLawsOfATruth(t *testing.T) {
	for name, o := range map[string]store.Opening{"plain": {}, "closed": closing} {
		t.Run(name, func(t *testing.T) {
			truthtest.Run(t, func(t *testing.T) truthtest.Opener { return opener(t, newPlace(t), o) })
		})
	}
}

func mustOpen(t testing.TB, opt place) store.Truth {
	t.Helper()
	truth, err := opener(t, opt, closing)()
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, truth.Close()) })
	return truth
}

func mustCommit(t testing.TB, truth store.Truth, frames ...string) {
	t.Helper()
	_, err := truth.Commit(raw(frames...))
	require.NoError(t, err)
}

func raw(frames ...string) (out [][]byte) {
	for _, f := range frames {
		out = append(out, []byte(f))
	}
	return out
}

// A record that is handed on to many links at once is asked for by one question, and each
// has it for itself.
func TestManyReadOneFrame(t *testing.T) {
	truth := mustOpen(t, newPlace(t))
	at, err := truth.Commit(raw("a hold"))
	require.NoError(t, err)
	holder, err := pgx.Connect(t.Context(), shared.URL())
	require.NoError(t, err)
	defer func() { require.NoError(t, holder.Close(context.Background())) }()
	tx, err := holder.Begin(t.Context())
	require.NoError(t, err)
	_, err = tx.Exec(t.Context(), `LOCK thawtrail_leaf IN ACCESS EXCLUSIVE MODE`)
	require.NoError(t, err)
	const links = 10
	got := make([][]byte, links)
	var group errgroup.Group
	for i := range links {
		group.Go(func() (err error) {
			got[i], _, err = truth.ReadAt(at[0], nil)
			return err
		})
	}
	waiting := func() int {
		return query(t, `SELECT count(*) FROM pg_locks WHERE NOT granted AND mode = 'AccessShareLock'`)
	}
	for waiting() == 0 {
		time.Sleep(time.Millisecond)
	}
	for range 20 {
		require.Equal(t, 1, waiting())
		time.Sleep(10 * time.Millisecond)
	}
	require.NoError(t, tx.Rollback(t.Context()))
	require.NoError(t, group.Wait())
	for _, frame := range got {
		require.Equal(t, "a hold", string(frame))
		frame[0] = 'A'
	}
}

// A link that breaks in the middle of a commit leaves open what happened; in each of the
// three cases the batch is there once in the end, and is acknowledged.
func TestAnAnswerThatIsLost(t *testing.T) {
	for name, mode := range map[string]int32{"the answer is lost": pgtest.AnswerLost, "the request is lost": pgtest.RequestLost, "the request comes late": pgtest.RequestLate} {
		t.Run(name, func(t *testing.T) {
			opt := newPlace(t)
			w := pgtest.Between(t, shared.Cluster)
			opt.URL = w.URL()
			truth := mustOpen(t, opt)
			mustCommit(t, truth, "before")
			w.Mode.Store(mode)
			mustCommit(t, truth, "meanwhile", "and more")
			require.EqualValues(t, pgtest.Passing, w.Mode.Load())
			mustCommit(t, truth, "after")
			if mode == pgtest.RequestLate {
				close(w.Late)
				<-w.Arrived
			}
			truthtest.Holds(t, truth, raw("before", "meanwhile", "and more", "after"))
			truthtest.Holds(t, mustOpen(t, opt), raw("before", "meanwhile", "and more", "after"))
		})
	}
}

// A batch of which nobody can say for too long whether it came is not acknowledged. What
// came of it is taken out before anything else is saved, for its numbers are used again.
func TestABatchThatWasGivenUpIsTakenOut(t *testing.T) {
	opt := newPlace(t)
	w := pgtest.Between(t, shared.Cluster)
	opt.URL, opt.Patience = w.URL(), time.Second
	truth := mustOpen(t, opt)
	mustCommit(t, truth, "before")
	w.Shut.Store(true)
	w.Mode.Store(pgtest.AnswerLost)
	_, err := truth.Commit(raw("nobody was told", "of this"))
	require.Error(t, err)
	require.Equal(t, position(2), truth.End())
	require.Equal(t, 2, rows(t, opt.practice), "it came all the same")
	_, err = truth.Commit(raw("nor of this"))
	require.Error(t, err)
	w.Shut.Store(false)
	mustCommit(t, truth, "after")
	truthtest.Holds(t, truth, raw("before", "after"))
	truthtest.Holds(t, mustOpen(t, opt), raw("before", "after"))
}

// A batch that was given up and taken out may still be on its way, for as many frames and to
// the same place as what is saved next. It must not be taken for that.
func TestABatchThatWasTakenOutDoesNotComeLater(t *testing.T) {
	opt := newPlace(t)
	w := pgtest.Between(t, shared.Cluster)
	opt.URL, opt.Patience = w.URL(), time.Second
	kept := mustOpen(t, opt)
	mustCommit(t, kept, "before")
	w.Shut.Store(true)
	w.Mode.Store(pgtest.RequestLate)
	_, err := kept.Commit(raw("late"))
	require.Error(t, err)
	w.Shut.Store(false)
	require.NoError(t, kept.(*truth).takeOut(2))
	close(w.Late)
	<-w.Arrived
	mustCommit(t, kept, "after")
	truthtest.Holds(t, kept, raw("before", "after"))
}

func query(t testing.TB, sql string, args ...any) int {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), shared.URL())
	require.NoError(t, err)
	defer conn.Close(t.Context())
	var n int
	if err := conn.QueryRow(t.Context(), sql, args...).Scan(&n); !errors.Is(err, pgx.ErrNoRows) {
		require.NoError(t, err)
	}
	return n
}

func rows(t testing.TB, practice string) int {
	return query(t, `SELECT count(*) FROM thawtrail_leaf WHERE practice = $1`, practice)
}

// Every process of the database is killed while batches are committed, again and again.
// What was acknowledged is there, once and in order.
func TestADatabaseThatIsKilled(t *testing.T) {
	c := pgtest.Begin(t)
	opt := place{Options{URL: c.URL(), Patience: time.Minute, Lease: time.Microsecond}, "p"}
	truth := mustOpen(t, opt)
	stop, done := make(chan struct{}), make(chan struct{})
	var want [][]byte
	go func() {
		defer close(done)
		for i := 0; ; i++ {
			select {
			case <-stop:
				return
			default:
			}
			batch := [][]byte{truthtest.Frame(2*i, 100), truthtest.Frame(2*i+1, 9000)}
			if _, err := truth.Commit(batch); err != nil {
				t.Error(err)
				return
			}
			want = append(want, batch...)
		}
	}()
	for range testrun.Of(3, 20) {
		time.Sleep(time.Duration(50+rand.IntN(200)) * time.Millisecond) // #nosec G404 -- any moment will do
		c.Kill()
		c.Start(t)
	}
	time.Sleep(100 * time.Millisecond)
	close(stop)
	<-done
	require.NotEmpty(t, want)
	truthtest.Holds(t, truth, want)
	truthtest.Holds(t, mustOpen(t, opt), want)
	t.Logf("%d frames were acknowledged", len(want))
}

// Many processes take a practice from each other and write. What each was told is saved is
// there, in its order, and nothing else is.
func TestTwoProcessesNeverBothAppend(t *testing.T) {
	opt := newPlace(t)
	var mu sync.Mutex
	saved := map[journal.Position]string{}
	var wg sync.WaitGroup
	for who := range 3 {
		take := opener(t, opt, closing)
		wg.Go(func() {
			for round := range testrun.Of(6, 60) {
				truth, err := take()
				var held *Held
				if errors.Is(err, store.ErrFenced) || errors.As(err, &held) {
					continue
				}
				if err != nil {
					t.Error(err)
					return
				}
				for i := range 20 {
					frame := fmt.Sprintf("%d, round %d, %d", who, round, i)
					at, err := truth.Commit(raw(frame))
					if errors.Is(err, store.ErrFenced) {
						break
					}
					if err != nil {
						t.Error(err)
						break
					}
					mu.Lock()
					if other, is := saved[at[0]]; is {
						t.Errorf("%v was given to %q and to %q", at[0], other, frame)
					}
					saved[at[0]] = frame
					mu.Unlock()
				}
				_ = truth.Close()
			}
		})
	}
	wg.Wait()
	frames, at := truthtest.All(t, mustOpen(t, opt), journal.Position{})
	require.Len(t, frames, len(saved))
	for i, p := range at {
		require.Equal(t, saved[p], string(frames[i]))
		require.Equal(t, position(int64(i+1)), p, "no gap")
	}
}

// What somebody changes in the database is damage, is named in its place, and ends no
// reading of the rest.
func TestWhatWasChangedInTheDatabaseIsDamage(t *testing.T) {
	opt := newPlace(t)
	truth := mustOpen(t, opt)
	for _, frame := range []string{"a", "b", "c", "d", "e", "f", "g"} {
		mustCommit(t, truth, frame)
	}
	query(t, `DELETE FROM thawtrail_leaf WHERE practice = $1 AND position = 2 RETURNING 1`, opt.practice)
	query(t, `UPDATE thawtrail_leaf SET leaf = set_byte(leaf, 30, get_byte(leaf, 30) # 1) WHERE practice = $1 AND position = 4 RETURNING 1`, opt.practice)
	query(t, `UPDATE thawtrail_leaf SET leaf = (SELECT leaf FROM thawtrail_leaf WHERE practice = $1 AND position = 1) WHERE practice = $1 AND position = 6 RETURNING 1`, opt.practice)
	query(t, `DELETE FROM thawtrail_leaf WHERE practice = $1 AND position = 7 RETURNING 1`, opt.practice)
	var read []string
	require.NoError(t, truth.Scan(journal.Position{}, func(_ journal.Position, f []byte) error {
		read = append(read, string(f))
		return nil
	}, func(from, to journal.Position, _ string) error {
		read = append(read, fmt.Sprintf("%v to %v", from, to))
		return nil
	}))
	require.Equal(t, []string{"a", "1:2 to 1:3", "c", "1:4 to 1:5", "e", "1:6 to 1:8"}, read)
	for _, n := range []int64{2, 4, 6, 7} {
		_, _, err := truth.ReadAt(position(n), nil)
		require.ErrorIs(t, err, journal.ErrDamaged, "%d", n)
		err = truth.ReadEach([]journal.Position{position(1), position(n)}, func(int, []byte) error { return nil })
		require.ErrorIs(t, err, journal.ErrDamaged, "%d", n)
	}
	require.ErrorIs(t, truth.Scan(journal.Position{}, func(journal.Position, []byte) error { return nil }, nil), journal.ErrDamaged)
}

// A leaf of several frames that is changed or gone is damage from its first to its last, and
// the leaves beside it are read.
func TestALeafThatWasChangedIsDamageWhole(t *testing.T) {
	for name, harm := range map[string]string{
		"changed": `UPDATE thawtrail_leaf SET leaf = set_byte(leaf, 40, get_byte(leaf, 40) # 1) WHERE practice = $1 AND position = $2 RETURNING 1`,
		"gone":    `DELETE FROM thawtrail_leaf WHERE practice = $1 AND position = $2 RETURNING 1`,
	} {
		for _, hurt := range []int64{1, 4, 8} {
			opt := newPlace(t)
			truth := mustOpen(t, opt)
			mustCommit(t, truth, "a", "b", "c")
			mustCommit(t, truth, "d", "e", "f", "g")
			mustCommit(t, truth, "h", "i")
			require.Equal(t, 3, rows(t, opt.practice))
			require.Equal(t, 1, query(t, harm, opt.practice, hurt))
			end := map[int64]int64{1: 4, 4: 8, 8: 10}[hurt]
			for from := int64(1); from < 10; from++ {
				next := from
				require.NoError(t, truth.Scan(position(from), func(p journal.Position, f []byte) error {
					require.Equal(t, position(next), p)
					require.Equal(t, string(rune('a'+next-1)), string(f))
					next++
					return nil
				}, func(a, b journal.Position, _ string) error {
					require.Equal(t, position(max(from, hurt)), a)
					require.Equal(t, position(end), b)
					next = end
					return nil
				}), "%s, from %d", name, from)
				require.Equal(t, int64(10), next)
				_, _, err := truth.ReadAt(position(from), nil)
				each := truth.ReadEach([]journal.Position{position(from)}, func(int, []byte) error { return nil })
				if lost := from >= hurt && from < end; lost {
					require.ErrorIs(t, err, journal.ErrDamaged)
					require.ErrorIs(t, each, journal.ErrDamaged)
				} else {
					require.NoError(t, errors.Join(err, each))
				}
			}
		}
	}
}

// Tables that were put back from different moments are refused, with what is to be done:
// every batch would be, and nobody would be told why.
func TestTablesOfDifferentMomentsAreRefused(t *testing.T) {
	opt := newPlace(t)
	truth := mustOpen(t, opt)
	mustCommit(t, truth, "a")
	mustCommit(t, truth, "b")
	require.NoError(t, truth.Close())
	query(t, `UPDATE thawtrail_practice SET next = 2 WHERE practice = $1 RETURNING 1`, opt.practice)
	_, err := opener(t, opt, closing)()
	require.ErrorContains(t, err, "there are records at 2, and they are said to end before 2")
	require.Equal(t, 2, rows(t, opt.practice), "nothing is taken out")
}

// An opening is known to the later ones, with where the records ended since: not in an image
// of before, not when it is too long ago, and not after everything was taken out.
func TestWhatAnOpeningKnowsOfThoseBefore(t *testing.T) {
	p := newPlace(t)
	take := opener(t, p, closing)
	again := func() *truth {
		opened, err := take()
		require.NoError(t, err)
		t.Cleanup(func() { require.NoError(t, opened.Close()) })
		return opened.(*truth)
	}
	first := again()
	mustCommit(t, first, "a", "b", "c")
	second := again()
	mustCommit(t, second, "d")
	third := again()
	since := func(of *truth) journal.Position {
		t.Helper()
		end, known, err := third.Since(of.Opening())
		require.NoError(t, err)
		require.Equal(t, known, !end.IsZero())
		return end
	}
	require.Equal(t, position(4), since(first))
	require.Equal(t, position(5), since(second))
	require.Zero(t, since(third), "none is later")
	for _, strange := range [][]byte{nil, []byte("?"), append(first.Opening()[:16], second.Opening()[16:]...)} {
		_, known, err := third.Since(strange)
		require.NoError(t, err)
		require.False(t, known)
	}

	// Put back to where the first one had begun, without this table, and gone on with.
	query(t, `DELETE FROM thawtrail_leaf WHERE practice = $1 RETURNING 1`, p.practice)
	query(t, `UPDATE thawtrail_practice SET next = 1, fence = $2 WHERE practice = $1 RETURNING 1`, p.practice, first.begun)
	third = again()
	require.Equal(t, position(1), since(first))
	require.Zero(t, since(second))
	mustCommit(t, third, "e", "f")
	third = again()
	require.Equal(t, position(1), since(first), "the earliest counts")

	last := third
	for range openingsKept - 1 {
		third = again()
	}
	require.Zero(t, since(first), "too long ago")
	require.NotZero(t, since(last))
	count := func() int { return query(t, `SELECT count(*) FROM thawtrail_opening WHERE practice = $1`, p.practice) }
	require.Equal(t, openingsKept, count())

	require.NoError(t, third.l.Empty(t.Context()))
	require.Zero(t, count())
}

func TestTheKeyIsDecidedAtCreation(t *testing.T) {
	for _, made := range []store.Opening{{}, closing} {
		opt := newPlace(t)
		truth, err := opener(t, opt, made)()
		require.NoError(t, err)
		mustCommit(t, truth, "a")
		other := closing
		other.Key = append(make([]byte, 31), 1)
		for _, o := range []store.Opening{{}, closing, other, {Key: closing.Key, KeyID: "x"}, {Key: closing.Key[:16], KeyID: closing.KeyID}} {
			if o.KeyID == made.KeyID && string(o.Key) == string(made.Key) {
				continue
			}
			_, err := opener(t, opt, o)()
			require.ErrorIs(t, err, journal.ErrKey)
		}
		truth, err = opener(t, opt, made)()
		require.NoError(t, err)
		mustCommit(t, truth, "b")
		truthtest.Holds(t, truth, raw("a", "b"))
		require.NoError(t, truth.Close())
	}
}

func TestADatabaseThatForgetsIsRefused(t *testing.T) {
	opt := newPlace(t)
	opt.URL += " options='-c synchronous_commit=off'"
	_, err := Open(t.Context(), opt.Options)
	require.ErrorIs(t, err, ErrSettings)
	require.ErrorContains(t, err, "synchronous_commit is off")
}

// No word of a frame stands in the database when there is a key.
func TestTheDatabaseReadsNothing(t *testing.T) {
	opt := newPlace(t)
	mustCommit(t, mustOpen(t, opt), "the name of a client")
	require.Equal(t, 1, rows(t, opt.practice))
	require.Zero(t, query(t, `SELECT count(*) FROM thawtrail_leaf WHERE practice = $1 AND position('client'::bytea IN leaf) > 0`, opt.practice))
}

func TestNames(t *testing.T) {
	opt := newPlace(t)
	names := opt.lease(t).Names()
	other := opt
	other.practice += ", another"
	others := other.lease(t).Names()
	var is wholefile.Names = names
	_, err := is.Read("a.box", 10)
	require.ErrorIs(t, err, fs.ErrNotExist)
	for _, name := range []string{"aside/2.run", "aside/1.run", "a.box"} {
		require.NoError(t, is.Write(name, []byte("old")))
		require.NoError(t, is.Write(name, []byte("of "+name)))
		require.NoError(t, others.Write(name, []byte("another")))
		got, err := is.Read(name, 20)
		require.NoError(t, err)
		require.Equal(t, "of "+name, string(got))
	}
	_, err = is.Read("a.box", 3)
	require.ErrorIs(t, err, wholefile.ErrTooLong)
	list, err := is.List("aside")
	require.NoError(t, err)
	require.Equal(t, []string{"aside/1.run", "aside/2.run"}, list)
	list, err = is.List("")
	require.NoError(t, err)
	require.Equal(t, []string{"a.box"}, list)
	require.NoError(t, is.Remove("aside/1.run"))
	require.NoError(t, is.Remove("aside/1.run"))
	require.False(t, wholefile.There(is, "aside/1.run"))
	require.True(t, wholefile.There(others, "aside/1.run"))

	// Whoever lost the practice writes none, nor takes any away.
	opt.lease(t)
	require.ErrorIs(t, is.Write("a.box", []byte("late")), store.ErrFenced)
	require.ErrorIs(t, is.Remove("a.box"), store.ErrFenced)
	require.ErrorIs(t, opt.database(t).Names(opt.practice).Write("a.box", nil), store.ErrFenced)
	got, err := is.Read("a.box", 20)
	require.NoError(t, err)
	require.Equal(t, "of a.box", string(got))
}

// replicaOf opens a replica of the practice in a folder, as a process does that takes it.
func replicaOf(t *testing.T, p place, dir string) *store.Store {
	t.Helper()
	s, err := store.Open(t.Context(), store.Options{
		Dir: dir, Key: closing.Key, KeyID: closing.KeyID, Clock: clock.System{},
		Device: deviceKey("device"), DeviceName: "clinic", Truth: p.lease(t).Truth(),
	})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s
}

func deviceKey(name string) ed25519.PrivateKey {
	seed := sha256.Sum256([]byte(name))
	return ed25519.NewKeyFromSeed(seed[:])
}

func hold(t *testing.T, s *store.Store, batch string) (*event.Record, error) {
	records, err := s.Append(t.Context(), store.Draft{Type: event.TypeBatchHeld, Author: "vet", Payload: &pb.BatchHeld{Product: "P", Batch: batch, Reason: "the maker called"}})
	if err != nil {
		return nil, err
	}
	return records[0], nil
}

func mustHold(t *testing.T, s *store.Store, batch string) *event.Record {
	t.Helper()
	r, err := hold(t, s, batch)
	require.NoError(t, err)
	return r
}

// A replica whose records lie in a database opens on an empty disk and has them all; the
// process that had it before saves nothing any more.
func TestAReplicaOnADatabase(t *testing.T) {
	opt := newPlace(t)
	first := replicaOf(t, opt, t.TempDir())
	mustHold(t, first, "H-1")
	mustHold(t, first, "H-2")
	second := replicaOf(t, opt, t.TempDir())
	require.Equal(t, first.Records(), second.Records())
	require.Equal(t, first.Logs(), second.Logs())
	_, err := hold(t, first, "never")
	require.ErrorIs(t, err, store.ErrFenced)
	mustHold(t, second, "H-3")
	require.Equal(t, first.Records()+1, second.Records())
	require.NoError(t, second.CatchUp(t.Context()))
}

// An older image of the database is put back and another process goes on from there. By the
// time that the first one has the practice again, the record that it knew last lies where it
// lay, and one before it is another: what the first one had made of them is not believed.
func TestAnIndexOfWhatWasThereBeforeAnImage(t *testing.T) {
	laptop, err := store.Open(t.Context(), store.Options{Dir: t.TempDir(), Clock: clock.System{}, Device: deviceKey("laptop"), DeviceName: "car"})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, laptop.Close()) })
	brought, _, err := laptop.ReadRun(t.Context(), laptop.OwnLogs()[0], 0, 1<<20)
	require.NoError(t, err)
	p, one := newPlace(t), t.TempDir()
	first := replicaOf(t, p, one)
	image := query(t, `SELECT next FROM thawtrail_practice WHERE practice = $1`, p.practice)
	gone := mustHold(t, first, "H-2")
	bring := func(s *store.Store) {
		t.Helper()
		results, err := s.Ingest(t.Context(), []*pb.Run{brought})
		require.NoError(t, err)
		require.Equal(t, 1, results[0].Taken)
		require.NoError(t, s.CatchUp(t.Context()))
	}
	bring(first)
	require.NoError(t, first.Close())

	// Put back, and gone on with.
	query(t, `DELETE FROM thawtrail_leaf WHERE practice = $1 AND position >= $2 RETURNING 1`, p.practice, image)
	query(t, `UPDATE thawtrail_practice SET next = $2 WHERE practice = $1 RETURNING 1`, p.practice, image)
	second := replicaOf(t, p, t.TempDir())
	there := mustHold(t, second, "H-3")
	bring(second)
	want := second.Logs()
	require.NoError(t, second.Close())

	again := replicaOf(t, p, one)
	require.Equal(t, want, again.Logs())
	_, err = again.FindRecord(there.Hash.String())
	require.NoError(t, err)
	_, err = again.FindRecord(gone.Hash.String())
	require.ErrorIs(t, err, projection.ErrNotFound)
}
