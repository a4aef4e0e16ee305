//go:build !linux

package clock

import "time"

// monotonic is Go's own monotonic clock, which may stop while a laptop sleeps.
func monotonic() time.Duration { return time.Since(start) }
