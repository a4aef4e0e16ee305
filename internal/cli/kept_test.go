package cli

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	pb "thawtrail/proto/thawtrail/v1"
)

// How far the lines of a list have come stands once where it is the same of all; where it
// differs, behind those that the clinic does not hold yet.
func TestAListSaysOnceHowFarItHasCome(t *testing.T) {
	shown := func(saved ...pb.SavedState) string {
		out := &pb.GetBagResponse{}
		for _, s := range saved {
			out.Timeline = append(out.Timeline, &pb.TimelineRow{At: "2026-11-25T02:10:00+11:00", What: "Moved", Saved: s})
		}
		var b strings.Builder
		newPage(&b).answer(out.ProtoReflect())
		return b.String()
	}
	const here, held = pb.SavedState_SAVED_STATE_SAVED_HERE, pb.SavedState_SAVED_STATE_HELD_ON_SERVER
	require.Contains(t, shown(held, held), "Of all of it: held on the clinic's server.")
	require.Regexp(t, `(?s)Moved\s.*Moved \(saved here\)`, shown(held, here))
	require.NotContains(t, shown(held, here), "held")
}
