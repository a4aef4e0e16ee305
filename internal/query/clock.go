package query

import (
	"time"

	"thawtrail/internal/caution"
	"thawtrail/internal/event"
	"thawtrail/internal/wording"
)

// clockOff is grave: whoever looks at this laptop's clock beside a bag is misled.
var clockOff = caution.Define("clock_off", caution.Caution,
	"This laptop's clock is %s %s the clinic's: measured %s ago%s. Bags are judged by the clinic's time; records keep the time of this laptop. Set its clock.")

// oldAfter is how long a measurement of the clock stands without a word (ours).
const oldAfter = 24 * time.Hour

// ClockOff is how far this machine's clock was measured to be off.
type ClockOff struct {
	By    time.Duration // how much is to be added to it
	Since time.Duration // the measurement
}

// Ahead says that the clock is ahead of the clinic's.
func (c *ClockOff) Ahead() bool { return c.By < 0 }

// Old says that the clock may have been set since the measurement.
func (c *ClockOff) Old() bool { return c.Since >= oldAfter }

// Amount is by how much the clock is off, in words.
func (c *ClockOff) Amount() string { return wording.Ago(max(c.By, -c.By)) }

// Measured is how long ago it was measured, in words.
func (c *ClockOff) Measured() string { return wording.Ago(c.Since) }

// ClockOff is nil while this machine's clock is not known to be off by minutes.
func (b *ReadView) ClockOff() *ClockOff {
	off := event.OffMs(b.clock)
	if off == 0 {
		return nil
	}
	return &ClockOff{
		By:    time.Duration(off) * time.Millisecond,
		Since: b.now.Sub(time.UnixMicro(b.clock.MeasuredUs)),
	}
}

// ByClinic is the clinic's time when this machine's clock says at.
func (b *ReadView) ByClinic(at time.Time) time.Time {
	if c := b.ClockOff(); c != nil {
		return at.Add(c.By)
	}
	return at
}

// ClinicNow is the moment of the look by the clinic's time: bags are judged by it.
func (b *ReadView) ClinicNow() time.Time { return b.ByClinic(b.now) }

// ClockCautions tells of a clock that is off; none while it is not.
func (b *ReadView) ClockCautions() []caution.Raised {
	c := b.ClockOff()
	if c == nil {
		return nil
	}
	way, old := "behind", ""
	if c.Ahead() {
		way = "ahead of"
	}
	if c.Old() {
		old = ", which is old: it may have been set since"
	}
	return []caution.Raised{clockOff.With(c.Amount(), way, c.Measured(), old)}
}
