package memfs

import (
	"errors"
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/store/journal"
)

var errInjected = errors.New("injected")

// written is a disk with "aa" synced in "d/f", and "bb" and "cc" written after it.
func written(t *testing.T) (*FS, journal.File) {
	m := New()
	require.NoError(t, m.MkdirAll("d"))
	f, err := m.Create("d/f")
	require.NoError(t, err)
	for i, s := range []string{"aa", "bb", "cc"} {
		_, err := f.WriteAt([]byte(s), int64(2*i))
		require.NoError(t, err)
		if i == 0 {
			require.NoError(t, f.Sync())
			require.NoError(t, m.SyncDir("d"))
		}
	}
	return m, f
}

// contents reads a whole file; "(none)" when there is no such name.
func contents(t *testing.T, m *FS, path string) string {
	f, err := m.OpenRead(path)
	if err != nil {
		return "(none)"
	}
	b := make([]byte, 100)
	n, err := f.ReadAt(b, 0)
	require.Error(t, err, "shorter than the buffer")
	return string(b[:n])
}

// answers gives a Choose that replies in turn.
func answers(list ...int) Choose {
	return func(int) int {
		a := list[0]
		list = list[1:]
		return a
	}
}

func TestUnsyncedWritesEachOnTheirOwn(t *testing.T) {
	m, _ := written(t)
	for want, choices := range map[string][]int{
		"aa":           {lost, lost},
		"aabb":         {kept, lost},
		"aabbcc":       {kept, kept},
		"aa\x00\x00cc": {lost, kept},
		"aab":          {torn, 1, lost},
		"aabbc":        {kept, torn, 1},
	} {
		require.Equal(t, want, contents(t, m.CrashClone(answers(choices...)), "d/f"), "%v", choices)
	}
	require.Equal(t, "aabbcc", contents(t, m, "d/f"), "the running program sees everything")
}

func TestFailedSyncIsNotMadeGoodByTheNext(t *testing.T) {
	for _, applied := range []bool{false, true} {
		m, f := written(t)
		m.SetHook(func(op Op) Fault {
			if op.Kind == Sync {
				return Fault{Err: errInjected, Applied: applied}
			}
			return Fault{}
		})
		require.ErrorIs(t, f.Sync(), errInjected)
		m.SetHook(nil)
		require.NoError(t, f.Sync())
		want := map[bool]string{false: "aa", true: "aabbcc"}[applied]
		require.Equal(t, want, contents(t, m.CrashClone(Lose), "d/f"))
		require.Equal(t, "aabbcc", contents(t, m.CrashClone(Keep), "d/f"))
	}
}

func TestNamesNeedTheirDirectorySynced(t *testing.T) {
	m, _ := written(t)
	g, err := m.Create("d/g")
	require.NoError(t, err)
	_, err = g.WriteAt([]byte("g"), 0)
	require.NoError(t, err)
	require.NoError(t, g.Sync())
	require.NoError(t, m.Remove("d/f"))
	require.Equal(t, "(none)", contents(t, m.CrashClone(Lose), "d/g"))
	require.Equal(t, "aa", contents(t, m.CrashClone(Lose), "d/f"), "nor is a removal durable before")
	require.Equal(t, "g", contents(t, m.CrashClone(Keep), "d/g"))
	require.Equal(t, "(none)", contents(t, m.CrashClone(Keep), "d/f"))
	require.NoError(t, m.SyncDir("d"))
	require.Equal(t, "g", contents(t, m.CrashClone(Lose), "d/g"))
	require.Equal(t, "(none)", contents(t, m.CrashClone(Lose), "d/f"))
}

func TestInjectedWriteIsShort(t *testing.T) {
	m, f := written(t)
	m.SetHook(func(op Op) Fault { return Fault{Err: fmt.Errorf("%w for %d", errInjected, op.Size), Bytes: 1} })
	n, err := f.WriteAt([]byte("dd"), 6)
	require.Equal(t, 1, n)
	require.ErrorContains(t, err, "injected for 2")
	m.SetHook(nil)
	require.Equal(t, "aabbccd", contents(t, m, "d/f"))
}

func TestCapacity(t *testing.T) {
	m, f := written(t)
	m.SetCapacity(7)
	n, err := f.WriteAt([]byte("cdef"), 5)
	require.Equal(t, 2, n)
	require.ErrorIs(t, err, journal.ErrNoSpace)
	require.Equal(t, "aabbccd", contents(t, m, "d/f"))
	_, err = f.WriteAt([]byte("xx"), 0)
	require.NoError(t, err, "writing over what is there needs no room")
	require.NoError(t, m.Remove("d/f"))
	g, err := m.Create("d/g")
	require.NoError(t, err)
	_, err = g.WriteAt([]byte("1234567"), 0)
	require.NoError(t, err)
}
