package index

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"thawtrail/internal/testrun"
)

var testKey = []byte(strings.Repeat("k", 32))

// eachIndex runs the contract on every kind of index.
func eachIndex(t *testing.T, run func(t *testing.T, ix Index)) {
	open := map[string]func(t *testing.T) Index{
		"memory":    func(*testing.T) Index { return NewMemory() },
		"disk":      func(t *testing.T) Index { return mustOpen(t, Options{Dir: t.TempDir()}, Fresh) },
		"encrypted": func(t *testing.T) Index { return mustOpen(t, Options{Dir: t.TempDir(), Key: testKey}, Fresh) },
		"covered": func(t *testing.T) Index {
			c := NewCover(&fickle{Index: NewMemory(), fails: func() (before, after bool) { return true, false }}, func(error) {}, nil)
			put(t, c) // from here on all lies over the index
			return c
		},
		"gathering": func(*testing.T) Index {
			c := NewCover(NewMemory(), func(error) {}, nil)
			gather(t, c)
			return c
		},
		"settling": func(*testing.T) Index { return &settling{Cover: NewCover(NewMemory(), func(error) {}, nil)} },
	}
	for name, fresh := range open {
		t.Run(name, func(t *testing.T) {
			ix := fresh(t)
			run(t, ix)
			require.NoError(t, ix.Close())
		})
	}
}

// settling gathers and settles by turns: some of it lies over the index below.
type settling struct {
	*Cover
	updates atomic.Int64
}

func (s *settling) Update(fn func(Writer) error) error {
	if s.updates.Add(1)%2 == 0 {
		if err := s.Settle(context.Background()); err != nil {
			return err
		}
	} else if err := s.Gather(); err != nil {
		return err
	}
	return s.Cover.Update(fn)
}

func mustOpen(t require.TestingT, o Options, want State) Index {
	ix, opened, err := Open(o)
	require.NoError(t, err)
	require.Equal(t, want, opened.State, opened.Reason)
	return ix
}

// put sets keys to values in one update; "-" deletes.
func put(t require.TestingT, ix Index, pairs ...string) {
	require.NoError(t, ix.Update(func(w Writer) error { return putIn(w, pairs...) }))
}

func putIn(w Writer, pairs ...string) error {
	for i := 0; i < len(pairs); i += 2 {
		err := w.Set([]byte(pairs[i]), []byte(pairs[i+1]))
		if pairs[i+1] == "-" {
			err = w.Delete([]byte(pairs[i]))
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// list gives "key=value" for a scan; a nil from is written "".
func list(t require.TestingT, r Reader, prefix, from string, reverse bool) []string {
	var start []byte
	if from != "" {
		start = []byte(from)
	}
	out := []string{}
	require.NoError(t, r.Scan([]byte(prefix), start, reverse, func(k, v []byte) (bool, error) {
		out = append(out, string(k)+"="+string(v))
		return true, nil
	}))
	return out
}

func listAll(t require.TestingT, ix Index) (out []string) {
	require.NoError(t, ix.View(func(r Reader) error {
		out = list(t, r, "", "", false)
		return nil
	}))
	return out
}

func TestScans(t *testing.T) {
	pairs := []string{"a", "1", "b", "2", "b/", "3", "b/1", "4", "b/2", "5", "b/\xff", "6", "b/\xff\xff", "7", "b0", "8", "c", "9", "\xff", "10", "\xff\xff", "11"}
	cases := []struct {
		prefix, from string
		reverse      bool
		want         string
	}{
		{"", "", false, "1 2 3 4 5 6 7 8 9 10 11"},
		{"", "", true, "11 10 9 8 7 6 5 4 3 2 1"},
		{"b/", "", false, "3 4 5 6 7"},
		{"b/", "", true, "7 6 5 4 3"},
		{"b/", "b/2", false, "5 6 7"},
		{"b/", "b/2", true, "5 4 3"},
		{"b/", "b/11", false, "5 6 7"},
		{"b/", "b/11", true, "4 3"},
		{"b/", "a", false, "3 4 5 6 7"},
		{"b/", "a", true, ""},
		{"b/", "z", false, ""},
		{"b/", "z", true, "7 6 5 4 3"},
		{"b/", "b0", true, "7 6 5 4 3"},
		{"\xff", "", false, "10 11"},
		{"\xff", "", true, "11 10"},
		{"\xff\xff", "\xff\xff\xff", true, "11"},
		{"nothing", "", false, ""},
		{"nothing", "", true, ""},
	}
	eachIndex(t, func(t *testing.T, ix Index) {
		check := func(r Reader) error {
			for _, c := range cases {
				var got []string
				for _, kv := range list(t, r, c.prefix, c.from, c.reverse) {
					_, v, _ := strings.Cut(kv, "=")
					got = append(got, v)
				}
				require.Equal(t, c.want, strings.Join(got, " "), "%+v", c)
			}
			return r.Scan(nil, []byte{}, true, func(_, _ []byte) (bool, error) { return false, errors.New("nothing is at or before the empty key") })
		}
		// The same answers when everything, half or nothing is still pending.
		undo := errors.New("undo")
		err := ix.Update(func(w Writer) error {
			require.NoError(t, putIn(w, pairs...))
			require.NoError(t, check(w))
			return undo
		})
		require.ErrorIs(t, err, undo)
		require.Empty(t, listAll(t, ix))
		put(t, ix, pairs[:10]...)
		put(t, ix, "b/15", "gone", "zz", "gone")
		require.NoError(t, ix.Update(func(w Writer) error {
			require.NoError(t, putIn(w, pairs[8:]...))
			require.NoError(t, putIn(w, "b/15", "-", "zz", "-", "never", "-"))
			return check(w)
		}))
		require.NoError(t, ix.View(check))
	})
}

func TestUpdateReadsItsWritesAndViewDoesNot(t *testing.T) {
	eachIndex(t, func(t *testing.T, ix Index) {
		put(t, ix, "a", "1", "b", "2")
		require.NoError(t, ix.Update(func(w Writer) error {
			require.NoError(t, putIn(w, "a", "3", "b", "-", "c", ""))
			require.Equal(t, []string{"a=3", "c="}, list(t, w, "", "", false))
			v, ok, err := w.Get([]byte("a"))
			require.NoError(t, err)
			require.True(t, ok)
			require.Equal(t, "3", string(v))
			_, ok, err = w.Get([]byte("b"))
			require.NoError(t, err)
			require.False(t, ok)
			for key, there := range map[string]bool{"a": true, "b": false, "c": true, "d": false, "": false} {
				ok, err := w.Has([]byte(key))
				require.NoError(t, err)
				require.Equal(t, there, ok, key)
			}
			require.Equal(t, []string{"a=1", "b=2"}, listAll(t, ix))
			return nil
		}))
		require.Equal(t, []string{"a=3", "c="}, listAll(t, ix))
		require.NoError(t, ix.View(func(r Reader) error {
			put(t, ix, "a", "4")
			require.Equal(t, []string{"a=3", "c="}, list(t, r, "", "", false), "a view does not move")
			_, ok, err := r.Get(nil)
			require.False(t, ok)
			require.NoError(t, err)
			ok, err = r.Has([]byte("a"))
			require.True(t, ok)
			require.NoError(t, err)
			ok, err = r.Has(nil)
			require.False(t, ok)
			return err
		}))
	})
}

func TestScansMayNestAndChangeWhatTheyVisit(t *testing.T) {
	eachIndex(t, func(t *testing.T, ix Index) {
		put(t, ix, "a", "1", "b", "2", "c", "3")
		require.NoError(t, ix.Update(func(w Writer) error {
			require.NoError(t, w.Set([]byte("d"), []byte("4")))
			return w.Scan(nil, nil, false, func(k, _ []byte) (bool, error) {
				require.Len(t, list(t, w, "", "", true), 4)
				key := string(k)
				return true, putIn(w, key, "-", "new "+key, "5")
			})
		}))
		require.Equal(t, []string{"new a=5", "new b=5", "new c=5", "new d=5"}, listAll(t, ix))
	})
}

func TestFailedUpdateAppliesNothing(t *testing.T) {
	eachIndex(t, func(t *testing.T, ix Index) {
		put(t, ix, "a", "1")
		boom := errors.New("boom")
		require.ErrorIs(t, ix.Update(func(w Writer) error {
			require.NoError(t, putIn(w, "a", "2", "b", "2"))
			return boom
		}), boom)
		for name, key := range map[string]string{"empty": "", "long": strings.Repeat("k", MaxKeyBytes+1), "reserved": "!badger!x"} {
			err := ix.Update(func(w Writer) error {
				require.NoError(t, putIn(w, "b", "2"))
				return w.Set([]byte(key), nil)
			})
			require.ErrorIs(t, err, ErrKey, name)
		}
		require.Panics(t, func() { _ = ix.Update(func(Writer) error { panic("boom") }) })
		require.Equal(t, []string{"a=1"}, listAll(t, ix))
		put(t, ix, "a", "3")
	})
}

func TestStoppedScan(t *testing.T) {
	eachIndex(t, func(t *testing.T, ix Index) {
		put(t, ix, "a", "1", "c", "3")
		boom := errors.New("boom")
		require.NoError(t, ix.Update(func(w Writer) error {
			require.NoError(t, putIn(w, "b", "2", "d", "4"))
			for stop := 1; stop <= 4; stop++ {
				n := 0
				require.NoError(t, w.Scan(nil, nil, false, func(_, _ []byte) (bool, error) { n++; return n < stop, nil }))
				require.Equal(t, stop, n)
				n = 0
				require.ErrorIs(t, w.Scan(nil, nil, true, func(_, _ []byte) (bool, error) {
					if n++; n == stop {
						return true, boom
					}
					return true, nil
				}), boom)
				require.Equal(t, stop, n)
			}
			return nil
		}))
	})
}

// TestTooBig goes to the limit with large and with small entries: up to it an
// update is applied, past it nothing is, even when the error was ignored.
func TestTooBig(t *testing.T) {
	eachIndex(t, func(t *testing.T, ix Index) {
		for _, size := range []int{0, 1, 100, 5000, 100_000} {
			fill := func(over int64) error {
				return ix.Update(func(w Writer) error {
					var sum int64
					for i := 0; ; i++ {
						k, v := fmt.Appendf(nil, "%d/%06d", size, i), make([]byte, size)
						if sum += TxnBytes(k, v); sum > ix.MaxTxnBytes()+over {
							return nil
						}
						err := w.Set(k, v)
						require.Equal(t, sum > ix.MaxTxnBytes(), errors.Is(err, ErrTooBig), "after %d of %d: %v", sum, ix.MaxTxnBytes(), err)
					}
				})
			}
			require.ErrorIs(t, fill(200_000), ErrTooBig)
			require.Empty(t, listAll(t, ix))
			require.NoError(t, fill(0))
			require.NotEmpty(t, listAll(t, ix))
			wipe(t, ix)
		}
		err := ix.Update(func(w Writer) error { // what was too big once stays so
			for range 7 {
				_ = w.Set([]byte("a"), make([]byte, ix.MaxTxnBytes()))
				_ = w.Set([]byte("a"), nil)
			}
			return nil
		})
		require.ErrorIs(t, err, ErrTooBig)
		require.Empty(t, listAll(t, ix))
		require.NoError(t, ix.Update(func(w Writer) error { // writing one key often counts once
			for range 100 {
				if err := w.Set([]byte("same"), make([]byte, 100_000)); err != nil {
					return err
				}
			}
			return nil
		}))
	})
}

// wipe deletes everything, a bounded number of keys in an update.
func wipe(t *testing.T, ix Index) {
	for len(listAll(t, ix)) > 0 {
		n := 0
		require.NoError(t, ix.Update(func(w Writer) error {
			return w.Scan(nil, nil, false, func(k, _ []byte) (bool, error) { n++; return n < 1000, w.Delete(k) })
		}))
	}
}

func TestClosedIndexRefuses(t *testing.T) {
	eachIndex(t, func(t *testing.T, ix Index) {
		require.NoError(t, ix.Close())
		require.ErrorIs(t, ix.View(func(Reader) error { return nil }), ErrClosed)
		require.ErrorIs(t, ix.Update(func(Writer) error { return nil }), ErrClosed)
	})
}

// TestViewsBesideUpdates keeps two keys equal in every update; no view may see
// them differ.
func TestViewsBesideUpdates(t *testing.T) {
	eachIndex(t, func(t *testing.T, ix Index) {
		put(t, ix, "x", "0", "y", "0")
		var wg sync.WaitGroup
		for range 2 {
			wg.Go(func() {
				for range 200 {
					err := ix.View(func(r Reader) error {
						x, _, _ := r.Get([]byte("x"))
						y, _, err := r.Get([]byte("y"))
						if string(x) != string(y) {
							t.Errorf("%s is not %s", x, y)
						}
						return err
					})
					if err != nil {
						t.Error(err)
					}
				}
			})
			wg.Go(func() {
				for range 200 {
					v := fmt.Sprint(rand.Int())
					if err := ix.Update(func(w Writer) error { return putIn(w, "x", v, "y", v) }); err != nil {
						t.Error(err)
					}
				}
			})
		}
		wg.Wait()
	})
}

// TestMemoryEqualsDisk runs random operations on both kinds and on a plain map,
// the disk closed and opened now and then.
func TestMemoryEqualsDisk(t *testing.T) {
	dir := t.TempDir()
	run := 0
	testrun.Check(t, func(t *rapid.T) {
		run++
		o := Options{Dir: fmt.Sprintf("%s/%d", dir, run)}
		memory, onDisk := NewMemory(), mustOpen(t, o, Fresh)
		model := map[string]string{}
		for range rapid.IntRange(1, 12).Draw(t, "steps") {
			pairs := drawPairs(t)
			fail := rapid.IntRange(0, 4).Draw(t, "fail") == 0
			q := drawQuery(t)
			during := q.on(t, memory, pairs, fail)
			require.Equal(t, during, q.on(t, onDisk, pairs, fail))
			if !fail {
				applyTo(model, pairs)
			}
			require.Equal(t, q.ask(t, memory), q.ask(t, onDisk))
			require.Equal(t, sorted(model), listAll(t, memory))
			require.Equal(t, sorted(model), listAll(t, onDisk))
			if rapid.IntRange(0, 9).Draw(t, "reopen") == 0 {
				require.NoError(t, onDisk.Close())
				onDisk = mustOpen(t, o, Clean)
			}
		}
		require.NoError(t, onDisk.Close())
	})
}

func drawKey(t *rapid.T) string {
	return rapid.StringOfN(rapid.RuneFrom([]rune("abc/")), 1, 4, -1).Draw(t, "key")
}

func drawPairs(t *rapid.T) []string {
	var pairs []string
	for range rapid.IntRange(0, 40).Draw(t, "changes") {
		pairs = append(pairs, drawKey(t), rapid.SampledFrom([]string{"-", "", "1", "2", strings.Repeat("v", 3000)}).Draw(t, "value"))
	}
	return pairs
}

func applyTo(model map[string]string, pairs []string) {
	for i := 0; i < len(pairs); i += 2 {
		model[pairs[i]] = pairs[i+1]
		if pairs[i+1] == "-" {
			delete(model, pairs[i])
		}
	}
}

func sorted(model map[string]string) []string {
	out := []string{}
	for _, k := range slices.Sorted(func(yield func(string) bool) {
		for k := range model {
			if !yield(k) {
				return
			}
		}
	}) {
		out = append(out, k+"="+model[k])
	}
	return out
}

// query is a scan to compare.
type query struct {
	prefix, from string
	reverse      bool
}

func drawQuery(t *rapid.T) query {
	q := query{reverse: rapid.Bool().Draw(t, "reverse")}
	if rapid.Bool().Draw(t, "with prefix") {
		q.prefix = drawKey(t)[:1]
	}
	if rapid.Bool().Draw(t, "with from") {
		q.from = drawKey(t)
	}
	return q
}

func (q query) ask(t *rapid.T, ix Index) (out []string) {
	require.NoError(t, ix.View(func(r Reader) error {
		out = list(t, r, q.prefix, q.from, q.reverse)
		return nil
	}))
	return out
}

// on makes the changes and gives what the query sees before they are applied.
func (q query) on(t *rapid.T, ix Index, pairs []string, fail bool) (out []string) {
	boom := errors.New("boom")
	err := ix.Update(func(w Writer) error {
		require.NoError(t, putIn(w, pairs...))
		out = list(t, w, q.prefix, q.from, q.reverse)
		if fail {
			return boom
		}
		return nil
	})
	require.Equal(t, fail, errors.Is(err, boom))
	return out
}
