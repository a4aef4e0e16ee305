//go:build linux || darwin

package clock

import (
	"time"

	"golang.org/x/sys/unix"
)

// monotonic reads the clock that nobody can set and that goes on while the machine
// sleeps.
func monotonic() time.Duration {
	var ts unix.Timespec
	if err := unix.ClockGettime(sleepless, &ts); err != nil {
		return time.Since(start)
	}
	return time.Duration(ts.Nano())
}
