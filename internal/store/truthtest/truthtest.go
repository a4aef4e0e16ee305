// Package truthtest holds the laws of a store.Truth, for whatever keeps one.
//
//	truthtest.Run(t, func(t *testing.T) truthtest.Opener { … })
//
// The function is called once a law and begins an empty place; its Opener opens that
// place, again and again, as processes do one after another or at once.
//
// The laws: frames lie in the order of their commits, and each position follows from
// the one before by the next that a read gives, up to the end: no gap, no double. A
// batch is there whole or not at all. What was committed reads back equal, one by one,
// several at once and from any position on, and does so for whoever opens the place
// later. Of two openers one alone writes.
package truthtest

import (
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/store"
	"thawtrail/internal/store/journal"
	"thawtrail/internal/testrun"
)

// Opener opens one place. A place that is taken is refused with store.ErrLocked, or
// taken over.
type Opener func() (store.Truth, error)

// Run holds every law against an implementation.
func Run(t *testing.T, begin func(t *testing.T) Opener) {
	for _, law := range []struct {
		name string
		try  func(*testing.T, Opener)
	}{
		{"an empty place has no end", empty},
		{"what was committed reads back in its order", inOrder},
		{"several are read in any order", readSeveral},
		{"a refused batch leaves nothing", bounds},
		{"the largest batch is taken", largest},
		{"outside of what was committed nothing is found", outside},
		{"what a caller says ends a read", enough},
		{"readers run beside commits", besideCommits},
		{"of two openers one writes", oneWriter},
		{"a closed one refuses", closed},
		{"commits, reads and new starts in any order", anyOrder},
	} {
		t.Run(law.name, func(t *testing.T) { law.try(t, begin(t)) })
	}
}

func open(t require.TestingT, opener Opener) store.Truth {
	truth, err := opener()
	require.NoError(t, err)
	return truth
}

func commit(t require.TestingT, truth store.Truth, frames ...[]byte) []journal.Position {
	at, err := truth.Commit(frames)
	require.NoError(t, err)
	require.Len(t, at, len(frames))
	return at
}

// Frame is one that tells which it is; no two are alike.
func Frame(i, size int) []byte {
	head := fmt.Appendf(nil, "frame %d ", i)
	return append(head, bytes.Repeat([]byte{byte('a' + i%26)}, max(0, size-len(head)))...)
}

// All reads every frame from a position on. Nothing may be damaged.
func All(t require.TestingT, truth store.Truth, from journal.Position) (frames [][]byte, at []journal.Position) {
	require.NoError(t, truth.Scan(from, func(p journal.Position, frame []byte) error {
		frames, at = append(frames, bytes.Clone(frame)), append(at, p)
		return nil
	}, nil))
	return frames, at
}

// Holds sees that a truth holds these frames and no others, by every way of reading.
func Holds(t require.TestingT, truth store.Truth, want [][]byte) []journal.Position {
	frames, at := All(t, truth, journal.Position{})
	require.Equal(t, len(want), len(frames))
	var buf []byte
	for i, p := range at {
		require.True(t, bytes.Equal(want[i], frames[i]), "frame %d at %v is %.30q, not %.30q", i, p, frames[i], want[i])
		frame, next, err := truth.ReadAt(p, buf)
		require.NoError(t, err)
		require.True(t, bytes.Equal(want[i], frame), "frame %d read at %v", i, p)
		after := truth.End()
		if i+1 < len(at) {
			after = at[i+1]
			require.Negative(t, p.Compare(after), "positions rise")
		}
		require.Equal(t, after, next, "what follows %v", p)
		buf = frame
	}
	read := 0
	require.NoError(t, truth.ReadEach(at, func(i int, frame []byte) error {
		require.Equal(t, read, i)
		require.True(t, bytes.Equal(want[i], frame), "frame %d read with others", i)
		read++
		return nil
	}))
	require.Equal(t, len(want), read)
	if len(at) > 0 {
		require.Positive(t, at[0].Compare(journal.Position{}))
		rest, _ := All(t, truth, at[len(at)/2])
		require.Len(t, rest, len(at)-len(at)/2)
		rest, _ = All(t, truth, truth.End())
		require.Empty(t, rest)
	}
	return at
}

func empty(t *testing.T, opener Opener) {
	truth := open(t, opener)
	require.True(t, truth.End().IsZero())
	Holds(t, truth, nil)
	at, err := truth.Commit(nil)
	require.NoError(t, err)
	require.Empty(t, at)
	require.True(t, truth.End().IsZero())
	require.NoError(t, truth.Close())
}

func inOrder(t *testing.T, opener Opener) {
	var want [][]byte
	var at []journal.Position
	for range 3 {
		truth := open(t, opener)
		for range 20 {
			batch := [][]byte{Frame(len(want), 1), Frame(len(want)+1, 300), Frame(len(want)+2, 5000)}
			before := truth.End()
			got := commit(t, truth, batch...)
			if !before.IsZero() && before.Segment == got[0].Segment {
				require.Equal(t, before, got[0], "a batch begins at the end")
			}
			want, at = append(want, batch...), append(at, got...)
		}
		require.Equal(t, at, Holds(t, truth, want))
		require.NoError(t, truth.Close())
	}
	truth := open(t, opener)
	require.Equal(t, at, Holds(t, truth, want))
	require.NoError(t, truth.Close())
}

func readSeveral(t *testing.T, opener Opener) {
	truth := open(t, opener)
	var want [][]byte
	for i := range 400 {
		want = append(want, Frame(i, 20+i*7))
	}
	at := commit(t, truth, want...)
	for _, order := range [][]int{{}, {7}, {3, 3}, {399, 0, 200, 201, 202, 1, 399}} {
		ps := make([]journal.Position, len(order))
		for i, n := range order {
			ps[i] = at[n]
		}
		var got []int
		require.NoError(t, truth.ReadEach(ps, func(i int, frame []byte) error {
			require.True(t, bytes.Equal(want[order[i]], frame))
			got = append(got, i)
			return nil
		}))
		require.Len(t, got, len(order))
	}
	read := 0
	err := truth.ReadEach([]journal.Position{at[5], truth.End(), at[6]}, func(i int, _ []byte) error {
		require.Zero(t, i)
		read++
		return nil
	})
	require.ErrorIs(t, err, journal.ErrNotFound)
	require.Equal(t, 1, read, "it ends where nothing lies, and not before")
	require.NoError(t, truth.Close())
}

func bounds(t *testing.T, opener Opener) {
	truth := open(t, opener)
	full := make([]byte, journal.MaxFrame)
	heavy := make([][]byte, journal.MaxCommit/len(full)+1)
	for i := range heavy {
		heavy[i] = full
	}
	for name, batch := range map[string][][]byte{
		"an empty frame": {[]byte("a"), {}}, "a frame too long": {[]byte("a"), append(bytes.Clone(full), 1)}, "too heavy": heavy,
	} {
		_, err := truth.Commit(batch)
		require.ErrorIs(t, err, journal.ErrTooLarge, name)
		require.True(t, truth.End().IsZero(), name)
	}
	commit(t, truth, []byte("b"))
	Holds(t, truth, [][]byte{[]byte("b")})
	require.NoError(t, truth.Close())
}

func largest(t *testing.T, opener Opener) {
	truth := open(t, opener)
	var want [][]byte
	for i := range journal.MaxCommit/journal.MaxFrame - 1 {
		want = append(want, Frame(i, journal.MaxFrame))
	}
	commit(t, truth, want...)
	want = append(want, Frame(99, 10))
	commit(t, truth, want[len(want)-1])
	Holds(t, truth, want)
	require.NoError(t, truth.Close())
}

func outside(t *testing.T, opener Opener) {
	truth := open(t, opener)
	commit(t, truth, []byte("a"))
	end := truth.End()
	past := end
	past.Offset += 1000
	for _, p := range []journal.Position{{}, end, past, {Segment: 1 << 30, Offset: 80}} {
		_, _, err := truth.ReadAt(p, nil)
		require.ErrorIs(t, err, journal.ErrNotFound, "%v", p)
	}
	require.ErrorIs(t, truth.Scan(past, nil, nil), journal.ErrNotFound)
	require.NoError(t, truth.Close())
}

func enough(t *testing.T, opener Opener) {
	truth := open(t, opener)
	var want [][]byte
	for i := range 100 {
		want = append(want, Frame(i, 50))
	}
	at := commit(t, truth, want...)
	stop := errors.New("enough")
	for name, read := range map[string]func(fn func() error) error{
		"scan": func(fn func() error) error {
			return truth.Scan(at[0], func(journal.Position, []byte) error { return fn() }, nil)
		},
		"several": func(fn func() error) error {
			return truth.ReadEach(at, func(int, []byte) error { return fn() })
		},
	} {
		n := 0
		err := read(func() error {
			// Whoever reads may read on meanwhile.
			if _, _, err := truth.ReadAt(at[n], nil); err != nil {
				return err
			}
			if n++; n == 10 {
				return stop
			}
			return nil
		})
		require.ErrorIs(t, err, stop, name)
		require.Equal(t, 10, n, name)
	}
	require.NoError(t, truth.Close())
}

func besideCommits(t *testing.T, opener Opener) {
	truth := open(t, opener)
	const frames = 60
	var wg sync.WaitGroup
	for range 3 {
		wg.Go(func() {
			for range 10 {
				n := 0
				err := truth.Scan(journal.Position{}, func(p journal.Position, f []byte) error {
					if want := Frame(n, 300); !bytes.Equal(want, f) {
						return fmt.Errorf("frame %d at %v is %.20q", n, p, f)
					}
					n++
					_, _, err := truth.ReadAt(p, nil)
					return err
				}, nil)
				if err != nil {
					t.Error(err)
				}
			}
		})
	}
	var committers sync.WaitGroup
	next := make(chan int, 1)
	next <- 0
	for range 3 {
		committers.Go(func() {
			for i := range next {
				if i < frames {
					if _, err := truth.Commit([][]byte{Frame(i, 300)}); err != nil {
						t.Error(err)
					}
					next <- i + 1
					continue
				}
				close(next)
			}
		})
	}
	committers.Wait()
	wg.Wait()
	want := make([][]byte, frames)
	for i := range want {
		want[i] = Frame(i, 300)
	}
	Holds(t, truth, want)
	require.NoError(t, truth.Close())
}

func oneWriter(t *testing.T, opener Opener) {
	first := open(t, opener)
	commit(t, first, []byte("a"))
	second, err := opener()
	if err != nil {
		require.ErrorIs(t, err, store.ErrLocked)
		commit(t, first, []byte("b"))
		require.NoError(t, first.Close())
		second = open(t, opener)
	} else {
		// Its end is as the second one knows it: only the token tells them apart.
		_, err := first.Commit([][]byte{[]byte("never")})
		require.ErrorIs(t, err, store.ErrFenced)
		commit(t, second, []byte("b"))
		_, err = first.Commit([][]byte{[]byte("never")})
		require.ErrorIs(t, err, store.ErrFenced, "and its end is of the past besides")
		require.NoError(t, first.Close())
	}
	commit(t, second, []byte("c"))
	Holds(t, second, [][]byte{[]byte("a"), []byte("b"), []byte("c")})
	require.NoError(t, second.Close())
}

func closed(t *testing.T, opener Opener) {
	truth := open(t, opener)
	at := commit(t, truth, []byte("a"))
	require.NoError(t, truth.Close())
	require.NoError(t, truth.Close())
	_, err := truth.Commit([][]byte{[]byte("b")})
	require.ErrorIs(t, err, journal.ErrClosed)
	_, _, err = truth.ReadAt(at[0], nil)
	require.ErrorIs(t, err, journal.ErrClosed)
	require.ErrorIs(t, truth.Scan(journal.Position{}, nil, nil), journal.ErrClosed)
	require.ErrorIs(t, truth.ReadEach(at, nil), journal.ErrClosed)
}

// anyOrder holds a truth against a list of frames, over commits of many sizes, refusals
// and new starts.
func anyOrder(t *testing.T, opener Opener) {
	seed := testrun.Seed()
	t.Logf("seed %d", seed)
	dice := rand.New(rand.NewPCG(seed, 0)) // #nosec G404 -- dice of a test
	truth := open(t, opener)
	var want [][]byte
	var at []journal.Position
	for range testrun.Of(60, 600) {
		switch dice.IntN(6) {
		default:
			batch := make([][]byte, 1+dice.IntN(40))
			for i := range batch {
				batch[i] = Frame(len(want)+i, 1+dice.IntN(3000))
			}
			want, at = append(want, batch...), append(at, commit(t, truth, batch...)...)
		case 0:
			end := truth.End()
			_, err := truth.Commit([][]byte{[]byte("x"), {}})
			require.ErrorIs(t, err, journal.ErrTooLarge)
			require.Equal(t, end, truth.End())
		case 1:
			end := truth.End()
			require.NoError(t, truth.Close())
			truth = open(t, opener)
			require.Equal(t, end, truth.End())
		}
		if len(at) > 0 {
			n := dice.IntN(len(at))
			frame, _, err := truth.ReadAt(at[n], nil)
			require.NoError(t, err)
			require.True(t, bytes.Equal(want[n], frame))
		}
	}
	require.Equal(t, at, Holds(t, truth, want))
	require.NoError(t, truth.Close())
}
