package index

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"thawtrail/internal/testrun"
)

// What is gathered is in the answers at once and below only when it has settled, each
// key once; updates after that go below again.
func TestGatherAndSettle(t *testing.T) {
	below := &counted{Index: NewMemory()}
	c := NewCover(below, func(err error) { t.Errorf("told %v", err) }, []byte(coming), []byte("cursor"))
	put(t, c, "a", "1", "b", "2", "cursor", "A")
	gather(t, c)
	put(t, c, "a", "3", "b", "-", "c", "4", "cursor", "B")
	put(t, c, "a", "5", "cursor", "C")
	require.Equal(t, []string{"a=5", "c=4", "cursor=C"}, listAll(t, c))
	require.Equal(t, []string{"a=1", "b=2", "cursor=A"}, listAll(t, below))
	bytes, gathers := c.Gathered()
	require.True(t, gathers)
	require.EqualValues(t, TxnBytes([]byte("a"), []byte("5"))+TxnBytes([]byte("b"), nil)+TxnBytes([]byte("c"), []byte("4"))+TxnBytes([]byte("cursor"), []byte("C")), bytes)
	below.updates = 0
	require.NoError(t, c.Settle(t.Context()))
	require.Equal(t, []string{"a=5", "c=4", "cursor=C"}, listAll(t, below))
	require.Equal(t, 3, below.updates, "what was set, what was deleted, and the cursor")
	bytes, gathers = c.Gathered()
	require.False(t, gathers)
	require.Zero(t, bytes)
	put(t, c, "d", "6")
	require.Equal(t, []string{"a=5", "c=4", "cursor=C", "d=6"}, listAll(t, below))
	require.NoError(t, c.Settle(t.Context()), "there is nothing to settle")
}

func gather(t require.TestingT, c *Cover) { require.NoError(t, c.Gather()) }

// counted counts updates.
type counted struct {
	Index
	updates int
}

func (c *counted) Update(fn func(Writer) error) error {
	c.updates++
	return c.Index.Update(fn)
}

// A settling that was told to end goes on from where it was, and one that the index
// below refused is a cover like any other, until that can be written.
func TestSettleThatEndsEarly(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	full, stops := false, 0
	below := &fickle{Index: NewMemory(), fails: func() (bool, bool) {
		if stops--; stops == 0 {
			cancel()
		}
		return full, false
	}}
	var told []error
	c := NewCover(below, func(err error) { told = append(told, err) }, []byte(coming), []byte("z"))
	gather(t, c)
	put(t, c, "a", "1", "b", "-", "z", "A")
	stops = 1
	require.ErrorIs(t, c.Settle(ctx), context.Canceled)
	_, gathers := c.Gathered()
	require.True(t, gathers)
	put(t, c, "a", "2", "z", "B")
	require.Equal(t, []string{"a=2", "z=B"}, withoutComing(listAll(t, c)))
	full = true
	require.ErrorIs(t, c.Settle(t.Context()), ErrNoSpace)
	require.Equal(t, []error{ErrNoSpace}, told)
	put(t, c, "c", "3")
	require.Equal(t, []string{"a=2", "c=3", "z=B"}, withoutComing(listAll(t, c)))
	full = false
	put(t, c, "d", "4")
	require.Equal(t, []error{ErrNoSpace, nil}, told)
	require.Equal(t, []string{"a=2", "c=3", "d=4", "z=B"}, listAll(t, below))
}

// Close writes down what was gathered.
func TestCloseWritesDownWhatWasGathered(t *testing.T) {
	o := Options{Dir: t.TempDir()}
	c := NewCover(mustOpen(t, o, Fresh), func(err error) { t.Errorf("told %v", err) }, nil)
	gather(t, c)
	put(t, c, "a", "1")
	require.NoError(t, c.Close())
	ix := mustOpen(t, o, Clean)
	require.Equal(t, []string{"a=1"}, listAll(t, ix))
	require.NoError(t, ix.Close())
}

// Whatever is gathered, settles and fails, in any order: the answers are those of an
// index that never failed, and below the cursor is never ahead of the other keys, nor are
// those further than is said there.
func TestGatheringEqualsAModel(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		failing := false
		below := &fickle{Index: NewMemory(), fails: func() (bool, bool) {
			kind := 0
			if failing {
				kind = rapid.IntRange(0, 3).Draw(t, "fault")
			}
			return kind == 1, kind == 2
		}}
		c := NewCover(below, func(error) {}, []byte(coming), []byte("z cursor"))
		model := map[string]string{}
		states := map[string]map[string]string{"": {}}
		for step := range rapid.IntRange(1, 20).Draw(t, "steps") {
			failing = rapid.IntRange(0, 3).Draw(t, "failing") == 0
			switch rapid.IntRange(0, 3).Draw(t, "act") {
			case 0:
				gather(t, c)
			case 1:
				_ = c.Settle(context.Background()) // what fails is told, and tried again
			}
			cursor := string(rune('A' + step))
			pairs := append(drawPairs(t), "z cursor", cursor)
			update := func(w Writer) error { return putIn(w, pairs...) }
			err := c.Update(update)
			if errors.Is(err, ErrCovered) {
				err = c.Update(update)
			}
			if errors.Is(err, ErrCovered) { // it was written down meanwhile, and failed once more
				continue
			}
			require.NoError(t, err)
			applyTo(model, pairs)
			states[cursor] = maps.Clone(model)
			q := drawQuery(t)
			require.Equal(t, q.of(model), withoutComing(q.ask(t, c)))
			require.Equal(t, sorted(model), withoutComing(listAll(t, c)))
			requireNotAhead(t, below, states)
		}
		failing = false
		require.NoError(t, c.Settle(context.Background()))
		put(t, c)
		require.Equal(t, sorted(model), listAll(t, below))
	})
}

// of is what the query gives of a model.
func (q query) of(model map[string]string) []string {
	m := NewMemory()
	if err := m.Update(func(w Writer) error {
		for k, v := range model {
			if err := w.Set([]byte(k), []byte(v)); err != nil {
				return err
			}
		}
		return nil
	}); err != nil {
		panic(err)
	}
	out := []string{}
	_ = m.View(func(r Reader) error {
		return r.Scan([]byte(q.prefix), q.start(), q.reverse, func(k, v []byte) (bool, error) {
			out = append(out, string(k)+"="+string(v))
			return true, nil
		})
	})
	return out
}

func (q query) start() []byte {
	if q.from == "" {
		return nil
	}
	return []byte(q.from)
}

// Views and updates beside a settling that goes on all the time: no view sees two keys
// differ that are equal in every update, and nothing is lost.
func TestSettlingBesideViewsAndUpdates(t *testing.T) {
	c := NewCover(mustOpen(t, Options{Dir: t.TempDir()}, Fresh), func(err error) { t.Errorf("told %v", err) }, nil)
	put(t, c, "x", "0", "y", "0")
	done := make(chan struct{})
	var others, updates sync.WaitGroup
	others.Go(func() {
		for {
			select {
			case <-done:
				return
			default:
				gather(t, c)
				if err := c.Settle(t.Context()); err != nil {
					t.Error(err)
				}
			}
		}
	})
	others.Go(func() {
		for {
			select {
			case <-done:
				return
			default:
				seen := strings.Join(list(t, viewer{c}, "", "", true), " ")
				var x, y string
				if _, err := fmt.Sscanf(seen, "y=%s x=%s", &y, &x); err != nil || x != y {
					t.Errorf("seen %q: %v", seen, err)
				}
			}
		}
	})
	const n = 2000
	updates.Go(func() {
		for i := range n {
			v := fmt.Sprint(i)
			if err := c.Update(func(w Writer) error { return putIn(w, "x", v, "y", v) }); err != nil {
				t.Error(err)
			}
		}
	})
	updates.Wait()
	close(done)
	others.Wait()
	require.NoError(t, c.Settle(t.Context()))
	last := fmt.Sprint(n - 1)
	require.Equal(t, []string{"x=" + last, "y=" + last}, listAll(t, c.Below()))
	require.NoError(t, c.Close())
}

// viewer reads in a view of its own.
type viewer struct{ Index }

func (v viewer) Get(key []byte) (value []byte, ok bool, err error) {
	err = v.View(func(r Reader) (err error) { value, ok, err = r.Get(key); return err })
	return value, ok, err
}

func (v viewer) Has(key []byte) (ok bool, err error) {
	err = v.View(func(r Reader) (err error) { ok, err = r.Has(key); return err })
	return ok, err
}

func (v viewer) Scan(prefix, from []byte, reverse bool, fn func(key, value []byte) (bool, error)) error {
	return v.View(func(r Reader) error { return r.Scan(prefix, from, reverse, fn) })
}

// What an index says to have persisted lies in files that are synced: once little was
// written, and not before what fills tables in memory has reached the disk.
func TestPersist(t *testing.T) {
	eachOptions(t, func(t *testing.T, o Options) {
		ix := mustOpen(t, o, Fresh)
		put(t, ix, "a", "1")
		durable, err := ix.Persist()
		require.NoError(t, err)
		require.True(t, durable)
		require.NoError(t, ix.Close())
		_, err = ix.Persist()
		require.ErrorIs(t, err, ErrClosed)
	})
}
