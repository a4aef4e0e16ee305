package store

import (
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/exchange"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal/memfs"
)

// A server lost a record of one branch of a fork, and nobody holds it any more: the
// laptop's folder was put back to before it. What hangs on it can be taken by nobody,
// but the other branch is whole, and reaches everybody.
func TestABranchThatIsWholeIsGiven(t *testing.T) {
	disk, hubDisk := memfs.New(), memfs.New()
	laptop, err := Open(t.Context(), memoryOptions(51, disk, index.NewMemory()))
	require.NoError(t, err)
	older := disk.CrashClone(memfs.Keep)
	lost, err := laptop.Append(t.Context(), received("BAG1", "P", "H-1"), received("BAG2", "P", "H-1"))
	require.NoError(t, err)
	hub, err := Open(t.Context(), memoryOptions(52, hubDisk, index.NewMemory()))
	require.NoError(t, err)
	give(t, laptop, hub)
	require.NoError(t, laptop.Close())
	require.NoError(t, hub.CatchUp(t.Context()))
	require.NoError(t, hubDisk.Flip("replica/journal/0000000001.journal", int(positionOf(t, hub, lost[0]).Offset)+20, 1))
	require.NoError(t, hub.Scrub(t.Context()))

	restored, err := Open(t.Context(), memoryOptions(51, older, index.NewMemory()))
	require.NoError(t, err)
	again, err := restored.Append(t.Context(), received("BAG3", "P", "H-1"), received("BAG4", "P", "H-1"))
	require.NoError(t, err)
	require.Equal(t, lost[1].Seq(), again[1].Seq())
	give(t, restored, hub)
	h, _ := hub.HeldOne(again[1].Log)
	require.Zero(t, h.Tip().Seq, "others are to send again what is above the opening")
	end := exchange.Tip{Seq: again[1].Seq(), Hash: again[1].Hash}
	h, _ = hub.GivingOne(again[1].Log)
	require.Equal(t, []exchange.Tip{end}, h.Tips)
	require.False(t, hub.Gives(lost[1].Log, exchange.Tip{Seq: lost[1].Seq(), Hash: lost[1].Hash}))
	other := openMemory(t, 53)
	give(t, hub, other)
	require.True(t, other.Holds(again[1].Log, end))
	require.NoError(t, hub.Close())
	require.NoError(t, restored.Close())
}
