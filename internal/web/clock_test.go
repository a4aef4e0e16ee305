package web

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"thawtrail/internal/web/barn"
	pb "thawtrail/proto/thawtrail/v1"
)

// TestEveryPageTellsOfAWrongClock reads every page on a laptop that measured its
// clock two hours slow, and again after it was measured right.
func TestEveryPageTellsOfAWrongClock(t *testing.T) {
	d := newLaptop(t)
	id, bag := d.toRunning()
	pages := append([]string{"/bag/" + bag, "/clinic/labels?bag=" + bag}, allPages...)
	for slug := range barn.CaseSteps {
		pages = append(pages, "/case/"+id+"/"+slug)
	}
	measured := func(off time.Duration) {
		d.replica.Store.SetClockOffset(&pb.ClockOffset{OffsetUs: off.Microseconds(), BoundUs: 1000, MeasuredUs: d.clock.Now().UnixMicro()})
	}
	measured(2 * time.Hour)
	for _, p := range pages {
		assert.Contains(t, d.get(p), "clock is 2 hours behind the clinic", p)
	}
	d.write(&pb.BatchHeld{Product: "Foal plasma", Batch: "H-2207", Reason: "the maker called"})
	assert.Contains(t, d.get("/barn"), "clock is 2 hours behind the clinic", "the hold that takes the screen")
	measured(-2 * time.Hour)
	assert.Contains(t, d.get("/barn"), "clock is 2 hours ahead of the clinic")
	measured(time.Minute)
	assert.NotContains(t, d.get("/barn"), "behind the clinic")
}
