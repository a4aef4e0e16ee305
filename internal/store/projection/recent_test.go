package projection

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/event"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal"
	pb "thawtrail/proto/thawtrail/v1"
)

// counting counts the records that are read one by one.
type counting struct {
	Journal
	reads int
}

func (c *counting) ReadAt(at journal.Position, buf []byte) ([]byte, journal.Position, error) {
	c.reads++
	return c.Journal.ReadAt(at, buf)
}

// A record that names what came a moment ago costs no reading; one that names an
// older record of that log, or one of a log where damage is known, is looked up.
func TestWhatCameAMomentAgoIsNotLookedUp(t *testing.T) {
	r := newRig(t, index.NewMemory())
	disk := &counting{Journal: r.Projection.journal}
	r.Projection.journal = disk
	south := r.world.Device("south")
	var theirs []*event.Record
	for i := range maxRecent + 8 {
		theirs = append(theirs, r.receive(south, fmt.Sprintf("THEIRS%d", i)))
	}
	r.catchUp()
	mine := 0
	reads := func(named *event.Record) int {
		mine++
		r.device.See(named)
		r.device.Write(&pb.PlaceAdded{Place: fmt.Sprint(mine), Name: "car", Kind: pb.PlaceKind_PLACE_KIND_FREEZER})
		r.Projection.read.forget() // as after other cases
		before := disk.reads
		r.catchUp()
		return disk.reads - before
	}
	newest := len(theirs) - 2 // the one behind it ends its log
	require.Zero(t, reads(theirs[newest]))
	require.Positive(t, reads(theirs[1]), "it was looked up")
	r.logs[south.Log()].Gaps = true
	require.Positive(t, reads(theirs[newest]), "it was looked up")
	r.requireRebuilt()
}
