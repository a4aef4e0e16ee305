package pins

import (
	"crypto/rand"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/clock"
	"thawtrail/internal/trust/vault"
)

func init() { cost = vault.Cost{Passes: 1, MemoryKiB: 64, Lanes: 1} } // the arithmetic is the same

func newBook(t *testing.T) (*Registry, *clock.Manual, *[]byte) {
	t.Helper()
	c := clock.NewManual(time.Date(2026, 9, 1, 2, 0, 0, 0, time.UTC))
	saved := new([]byte)
	b, err := Open(nil, c.Now, rand.Reader, func(d []byte) error { *saved = d; return nil })
	require.NoError(t, err)
	return b, c, saved
}

func TestSwitchingPeople(t *testing.T) {
	b, c, saved := newBook(t)
	require.ErrorIs(t, b.Switch(CommandLine, "ANNE", ""), ErrNone)
	require.NoError(t, b.Set("ANNE", "4711"))
	require.NotContains(t, string(*saved), "4711")
	c.Advance(time.Minute)
	require.NoError(t, b.Switch(CommandLine, "ANNE", "4711"))
	who, proven := b.Current(CommandLine)
	require.Equal(t, "ANNE", who)
	require.Equal(t, c.Now(), proven)

	// A wrong or forgotten PIN switches all the same, without proof.
	require.ErrorIs(t, b.Switch(CommandLine, "ANNE", "0000"), ErrWrong)
	who, proven = b.Current(CommandLine)
	require.Equal(t, "ANNE", who)
	require.Zero(t, proven)
	require.ErrorIs(t, b.Switch(CommandLine, "BERT", ""), ErrNone)
	who, _ = b.Current(CommandLine)
	require.Equal(t, "BERT", who)

	again, err := Open(*saved, c.Now, rand.Reader, nil)
	require.NoError(t, err)
	_, err = again.Prove("ANNE", "4711")
	require.NoError(t, err)
	_, err = again.Prove("BERT", "4711")
	require.ErrorIs(t, err, ErrNone)
}

func TestGuessingPINsIsSlowAndNeverLocksForLong(t *testing.T) {
	b, c, _ := newBook(t)
	require.NoError(t, b.Set("ANNE", "4711"))
	looked := 0
	for range 24 * 60 * 6 { // a day, a guess every ten seconds
		if _, err := b.Prove("ANNE", "0000"); err == ErrWrong {
			looked++
		}
		c.Advance(10 * time.Second)
	}
	require.Less(t, looked, 120)
	c.Advance(longWait)
	_, err := b.Prove("ANNE", "4711")
	require.NoError(t, err)

	for range freeTries {
		_, err := b.Prove("ANNE", "0000")
		require.ErrorIs(t, err, ErrWrong)
	}
	_, err = b.Prove("ANNE", "4711")
	require.ErrorIs(t, err, ErrWait)
	require.EqualError(t, err, "too many wrong PINs; the next one is looked at in 1 minute")
	c.SetWall(c.Now().Add(-365 * 24 * time.Hour)) // a flat clock battery
	_, err = b.Prove("ANNE", "4711")
	require.NoError(t, err)
}

func TestPINForms(t *testing.T) {
	b, _, _ := newBook(t)
	for _, bad := range []string{"", "123", "12a4", "1234567890123", "१२३४"} {
		err := b.Set("ANNE", bad)
		require.ErrorContains(t, err, "4 to 12 digits")
		if bad != "" {
			require.NotContains(t, err.Error(), bad)
		}
	}
}

func FuzzOpen(f *testing.F) {
	f.Add([]byte(`{"ANNE":{"salt":"AA==","hash":"AA=="}}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		if b, err := Open(data, time.Now, rand.Reader, nil); err == nil {
			if _, err := b.Prove("ANNE", "0000"); err == nil {
				t.Fatal("a PIN that nobody set")
			}
		}
	})
}
