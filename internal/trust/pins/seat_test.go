package pins

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

const browser = Session("browser")

// two makes a book in which two people have a PIN.
func two(t *testing.T) (*Registry, interface{ Advance(time.Duration) }) {
	b, c, _ := newBook(t)
	require.NoError(t, b.Set("ANNE", "4711"))
	require.NoError(t, b.Set("BERT", "2580"))
	b.Enter(browser)
	return b, c
}

func TestAProofBelongsToOneSeatAndEnds(t *testing.T) {
	b, c := two(t)
	require.NoError(t, b.Switch(browser, "ANNE", "4711"))
	proven := func(s Session) bool { _, at := b.Current(s); return !at.IsZero() }
	require.True(t, proven(browser))
	require.False(t, proven(CommandLine), "the command line proved nothing")

	// It lasts from look to look, and ends when one was missed.
	for range 8 {
		c.Advance(15 * time.Minute)
		b.Use(browser)
	}
	require.True(t, proven(browser))
	c.Advance(Idle + time.Second)
	b.Use(browser)
	require.False(t, proven(browser))
	who, _ := b.Current(browser)
	require.Equal(t, "ANNE", who, "who was chosen stays")

	// The command line's proof ends as well, and it is never locked.
	require.NoError(t, b.Switch(CommandLine, "BERT", "2580"))
	b.Lock(CommandLine)
	require.True(t, proven(CommandLine))
	c.Advance(Idle + time.Second)
	require.False(t, proven(CommandLine))
	require.False(t, b.Locked(CommandLine))
}

func TestALockOpensByAPINOrWithoutProof(t *testing.T) {
	b, c := two(t)
	require.NoError(t, b.Switch(browser, "ANNE", "4711"))
	changed := b.Changed()
	b.Lock(browser)
	<-changed
	require.True(t, b.Locked(browser))
	_, proven := b.Current(browser)
	require.Zero(t, proven, "a lock ends the proof")

	b.Use(browser)
	require.ErrorIs(t, b.Unlock(browser, "ANNE", "0000"), ErrWrong)
	require.ErrorIs(t, b.Unlock(browser, "ANNE", ""), ErrNone)
	require.ErrorIs(t, b.Unlock(browser, "CARL", "4711"), ErrNone)
	require.ErrorIs(t, b.Switch(browser, "CARL", ""), ErrNone)
	require.True(t, b.Locked(browser), "switching opens nothing")

	changed = b.Changed()
	require.NoError(t, b.Unlock(browser, "BERT", "2580"))
	<-changed
	require.False(t, b.Locked(browser))
	who, proven := b.Current(browser)
	require.Equal(t, "BERT", who)
	require.False(t, proven.IsZero())

	// A forgotten PIN stops nobody.
	b.Lock(browser)
	b.GoOn(browser, "ANNE")
	require.False(t, b.Locked(browser))
	who, proven = b.Current(browser)
	require.Equal(t, "ANNE", who)
	require.Zero(t, proven)

	// By itself, after a look was missed; other sessions for themselves.
	b.Enter("another")
	c.Advance(Idle - time.Second)
	require.False(t, b.Locked(browser))
	b.Use("another")
	c.Advance(2 * time.Second)
	changed = b.Changed()
	require.True(t, b.Locked(browser))
	<-changed
	require.False(t, b.Locked("another"))
}

func TestOnePersonsLaptopLocksOnlyWhenAsked(t *testing.T) {
	b, c, saved := newBook(t)
	b.Enter(browser)
	c.Advance(24 * time.Hour)
	require.False(t, b.Locked(browser))
	require.NoError(t, b.Set("ANNE", "4711"))
	c.Advance(24 * time.Hour)
	require.False(t, b.Locked(browser))
	b.Lock(browser)
	require.True(t, b.Locked(browser))

	// A restart opens nothing: what was locked stays locked.
	again, err := Open(*saved, c.Now, nil, nil)
	require.NoError(t, err)
	require.True(t, again.Locked(browser))
	again.Enter(browser)
	require.False(t, again.Locked(browser))

	// Where nobody has a PIN there is nothing to lock with after a restart.
	none, err := Open(nil, c.Now, nil, nil)
	require.NoError(t, err)
	require.False(t, none.Locked(browser))
}

// TestAClockThatWasSetBack proves nothing about the time that went by.
func TestAClockThatWasSetBack(t *testing.T) {
	b, c, _ := newBook(t)
	require.NoError(t, b.Set("ANNE", "4711"))
	require.NoError(t, b.Set("BERT", "2580"))
	b.Enter(browser)
	require.NoError(t, b.Switch(browser, "ANNE", "4711"))
	c.SetWall(c.Now().Add(-10 * time.Second)) // as clocks are set over the network
	_, proven := b.Current(browser)
	require.False(t, proven.IsZero())
	c.SetWall(c.Now().Add(-48 * time.Hour))
	require.True(t, b.Locked(browser))
}

func TestSeatsAreBounded(t *testing.T) {
	b, c := two(t)
	require.NoError(t, b.Switch(CommandLine, "ANNE", "4711"))
	for i := range 3 * maxSessions {
		c.Advance(time.Second)
		b.Use(CommandLine)
		b.Enter(Session(fmt.Sprint("browser ", i)))
	}
	require.LessOrEqual(t, len(b.sessions), maxSessions)
	_, proven := b.Current(CommandLine)
	require.False(t, proven.IsZero())
	require.False(t, b.Locked(Session(fmt.Sprint("browser ", 3*maxSessions-1))))
	require.True(t, b.Locked("browser 0"), "a forgotten session is locked")
}
