package server

import (
	"runtime"
	"runtime/debug"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// TestAHostWakesForManyTimersAtOnce reads back what the system was told, here and on a thread
// that is begun afterwards.
func TestAHostWakesForManyTimersAtOnce(t *testing.T) {
	require.NoError(t, wakeTogether())
	read := func() int {
		runtime.LockOSThread() // never unlocked: the thread ends with its goroutine
		late, err := unix.PrctlRetInt(unix.PR_GET_TIMERSLACK, 0, 0, 0, 0)
		require.NoError(t, err)
		return late
	}
	if info, _ := debug.ReadBuildInfo(); slices.Contains(info.Settings, debug.BuildSetting{Key: "CGO_ENABLED", Value: "1"}) {
		t.Skip("this program is linked with C")
	}
	require.EqualValues(t, lateBy.Nanoseconds(), read())
	there := make(chan int)
	go func() { there <- read() }()
	require.EqualValues(t, lateBy.Nanoseconds(), <-there)
}
