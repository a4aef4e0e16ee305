package clock

import "golang.org/x/sys/unix"

// sleepless is the clock that counts sleep; Go's own stops there (from memory).
const sleepless = unix.CLOCK_MONOTONIC
