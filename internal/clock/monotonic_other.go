//go:build !linux && !darwin

package clock

import "time"

// monotonic is Go's own monotonic clock, which counts sleep on Windows (from
// memory) and may stop elsewhere while a laptop sleeps.
func monotonic() time.Duration { return time.Since(start) }
