//go:build !cgo

package server

import (
	"runtime"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// TestAHostWakesForManyTimersAtOnce reads back what the system was told, here and on a thread
// that is begun afterwards. A program that is linked with C is left as it is.
func TestAHostWakesForManyTimersAtOnce(t *testing.T) {
	require.NoError(t, wakeTogether())
	read := func() int {
		runtime.LockOSThread() // never unlocked: the thread ends with its goroutine
		late, err := unix.PrctlRetInt(unix.PR_GET_TIMERSLACK, 0, 0, 0, 0)
		require.NoError(t, err)
		return late
	}
	require.EqualValues(t, lateBy.Nanoseconds(), read())
	there := make(chan int)
	go func() { there <- read() }()
	require.EqualValues(t, lateBy.Nanoseconds(), <-there)
}
