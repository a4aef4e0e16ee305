package server

import (
	"errors"
	"fmt"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// lateBy is how late the system may wake a host for its timers.
const lateBy = 500 * time.Microsecond

// wakeTogether lets the system wake this process once for timers that end at nearly the same
// time. Each open practice has two in Badger that end twenty times a second each, whether there
// is work or not, and waking for every one of them was most of what fifty practices at rest
// used. A thread inherits it from the one that begins it. In a program that is linked with C,
// which those of a release are not, nothing is changed.
func wakeTogether() error {
	_, _, errno := syscall.AllThreadsSyscall(unix.SYS_PRCTL, unix.PR_SET_TIMERSLACK, uintptr(lateBy.Nanoseconds()), 0)
	if errno != 0 && !errors.Is(errno, syscall.ENOTSUP) {
		return fmt.Errorf("let timers come together: %w", errno)
	}
	return nil
}
