package clock

import (
	"time"

	"golang.org/x/sys/unix"
)

// monotonic reads CLOCK_BOOTTIME, which goes on while the machine sleeps.
func monotonic() time.Duration {
	var ts unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &ts); err != nil {
		return time.Since(start)
	}
	return time.Duration(ts.Nano())
}
