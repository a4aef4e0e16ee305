package clock

import "golang.org/x/sys/unix"

// sleepless is the clock that counts sleep (clock_gettime(2)).
const sleepless = unix.CLOCK_BOOTTIME
