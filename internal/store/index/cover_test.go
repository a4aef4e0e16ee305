package index

import (
	"errors"
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"thawtrail/internal/testrun"
)

var errFickle = errors.New("input/output error")

// fickle is an index whose updates fail when asked, before or after their
// function has run, as a disk does.
type fickle struct {
	Index
	fails func() (before, after bool)
}

func (f *fickle) Update(fn func(Writer) error) error {
	before, after := f.fails()
	if before {
		return ErrNoSpace
	}
	return f.Index.Update(func(w Writer) error {
		if err := fn(w); err != nil || !after {
			return err
		}
		return errFickle
	})
}

// An update that fails below is in the answers at once, and in the index below as
// soon as that can be written; both ends of it are told.
func TestCoverHoldsWhatCannotBeWritten(t *testing.T) {
	full := false
	below := &fickle{Index: NewMemory(), fails: func() (bool, bool) { return full, false }}
	var told []error
	c := NewCover(below, func(err error) { told = append(told, err) }, nil)
	put(t, c, "a", "1", "b", "2")
	full = true
	put(t, c, "a", "3", "b", "-", "c", "4")
	put(t, c, "d", "5")
	require.Equal(t, []string{"a=3", "c=4", "d=5"}, listAll(t, c))
	require.Equal(t, []string{"a=1", "b=2"}, listAll(t, below))
	require.Equal(t, []error{ErrNoSpace}, told, "said once")
	full = false
	put(t, c, "e", "6")
	require.Equal(t, []string{"a=3", "c=4", "d=5", "e=6"}, listAll(t, below))
	require.Equal(t, []error{ErrNoSpace, nil}, told)
	full = true
	put(t, c, "f", "7")
	full = false
	require.NoError(t, c.Close(), "a stop writes down what it can")
}

// An update whose function has run must not be run again on what it left: the
// caller makes it anew, and then it is taken.
func TestCoverAsksForTheUpdateAgain(t *testing.T) {
	c := NewCover(&fickle{Index: NewMemory(), fails: func() (bool, bool) { return false, true }}, func(error) {}, nil)
	runs := 0
	update := func(w Writer) error { runs++; return w.Set([]byte("a"), []byte("1")) }
	err := c.Update(update)
	require.ErrorIs(t, err, ErrCovered)
	require.ErrorIs(t, err, errFickle)
	require.Empty(t, listAll(t, c))
	require.NoError(t, c.Update(update))
	require.Equal(t, 2, runs)
	require.Equal(t, []string{"a=1"}, listAll(t, c))
}

// What the caller's own function refuses is no fault of the index below.
func TestCoverLeavesTheCallersErrors(t *testing.T) {
	c := NewCover(NewMemory(), func(err error) { require.NoError(t, err) }, nil)
	require.ErrorIs(t, c.Update(func(Writer) error { return errFickle }), errFickle)
	require.ErrorIs(t, c.Update(func(w Writer) error { return w.Set(nil, nil) }), ErrKey)
	require.ErrorIs(t, c.Update(func(w Writer) error { return w.Set([]byte("k"), make([]byte, c.MaxTxnBytes())) }), ErrTooBig)
	require.NoError(t, c.Close())
	require.ErrorIs(t, c.Update(func(Writer) error { return nil }), ErrClosed)
}

// Memory is bounded: past that, updates are refused as by a full disk.
func TestCoverIsBounded(t *testing.T) {
	c := NewCover(&fickle{Index: NewMemory(), fails: func() (bool, bool) { return true, false }}, func(error) {}, nil)
	value := strings.Repeat("v", 500_000)
	var err error
	n := 0
	for ; err == nil; n++ {
		err = c.Update(func(w Writer) error { return w.Set([]byte{byte('a' + n%26), byte(n)}, []byte(value)) })
	}
	require.ErrorIs(t, err, ErrNoSpace)
	require.InDelta(t, mostCovered/500_000, n, 3)
	require.Len(t, listAll(t, c), n-1, "what was taken stays")
}

// Whatever fails and when: the cover answers as an index that never failed, and
// below, the key that says how far it has come is never ahead of the others, nor are those
// further than is said there.
func TestCoverEqualsAModel(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		failing := false
		below := &fickle{Index: NewMemory(), fails: func() (bool, bool) {
			switch {
			case !failing:
				return false, false
			default:
				kind := rapid.IntRange(0, 3).Draw(t, "fault")
				return kind == 1, kind == 2
			}
		}}
		c := NewCover(below, func(error) {}, []byte(coming), []byte("z cursor"))
		model := map[string]string{}
		states := map[string]map[string]string{"": {}}
		for step := range rapid.IntRange(1, 20).Draw(t, "steps") {
			failing = rapid.Bool().Draw(t, "failing")
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
			require.Equal(t, sorted(model), withoutComing(listAll(t, c)))
			requireNotAhead(t, below, states)
		}
		failing = false
		put(t, c)
		require.Equal(t, sorted(model), listAll(t, below))
	})
}

// coming is the key under which the cursor stands that is to come.
const coming = "coming"

func withoutComing(list []string) []string {
	return slices.DeleteFunc(list, func(pair string) bool { return strings.HasPrefix(pair, coming+"=") })
}

// requireNotAhead looks below: every key has the value that it had when the cursor
// stood as it stands there, or a later one up to the cursor that is said to come.
func requireNotAhead(t *rapid.T, below Index, states map[string]map[string]string) {
	found := map[string]string{}
	require.NoError(t, below.View(func(r Reader) error {
		return r.Scan(nil, nil, false, func(k, v []byte) (bool, error) {
			found[string(k)] = string(v)
			return true, nil
		})
	}))
	cursor := found["z cursor"]
	last := max(cursor, found[coming])
	delete(found, coming)
	keys := slices.Sorted(maps.Keys(found))
	for _, key := range slices.AppendSeq(keys, maps.Keys(states[cursor])) {
		got, is := found[key]
		fits := false
		for at, state := range states {
			now, there := state[key]
			fits = fits || cursor <= at && at <= last && there == is && now == got
		}
		require.True(t, fits, "key %q is neither of %q, where the cursor stands, nor of what follows up to %q", key, cursor, last)
	}
}
