package demo

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	pb "thawtrail/proto/thawtrail/v1"
)

// diskBytes is the size of the small disk: room for what all rounds write, and for the
// index to lie on it.
const diskBytes = 512 << 20

// TestTortureDisks gives a laptop a small disk of its own and fills it in every round
// to a few bytes while it writes, or starts the laptop while the disk takes no writes.
// Where this machine lets nobody mount one there is nothing to see here; the same is
// done to whole programs over a disk in memory (internal/node).
func TestTortureDisks(t *testing.T) {
	disk := t.TempDir()
	if out, err := exec.Command("mount", "-t", "tmpfs", "none", disk).CombinedOutput(); err != nil {
		t.Logf("no disk can be mounted here: %s", bytes.TrimSpace(out))
		return
	}
	unmount(t, disk)
	k := newTorture(t, "full and read-only disks", 1, 2, 60, func(n *night) {
		disk = filepath.Join(n.dir, n.north.name)
		require.NoError(t, os.Mkdir(disk, 0o700))
		mount(t, disk, "-t", "tmpfs", "-o", fmt.Sprintf("mode=700,size=%d", diskBytes), "none")
		t.Cleanup(func() { unmount(t, disk) })
	})
	require.NoError(t, k.save(k.n.north, vehicle(k.n.north, 0)))
	refused := 0
	for round := range k.rounds {
		if round%2 == 0 {
			refused += k.full(disk)
		} else {
			k.readOnly(disk)
		}
		require.NoError(t, k.add(k.n.north, 2), "with room again")
		require.NoError(t, k.add(k.n.clinic, 2))
		k.settle(fmt.Sprintf("round %d", round))
	}
	require.Positive(t, refused)
	k.figures.Met = fmt.Sprintf("%d entries refused for want of room", refused)
	k.tell()
}

// full fills the disk to a little, and gives it back once entries were refused.
func (k *torture) full(disk string) (refused int) {
	filler := filepath.Join(disk, "filler")
	f, err := os.Create(filler)
	require.NoError(k.t, err)
	piece := make([]byte, 64<<10)
	for err == nil {
		_, err = f.Write(piece)
	}
	require.NoError(k.t, f.Close())
	room := int64(k.random.IntN(200 << 10))
	at, err := os.Stat(filler)
	require.NoError(k.t, err)
	require.NoError(k.t, os.Truncate(filler, max(0, at.Size()-room)))
	for saved := 0; refused < 3 && saved < 1000; saved++ {
		if err := k.save(k.n.north, longNote(k.n.north)); err != nil {
			require.ErrorContains(k.t, err, "not saved")
			refused++
		}
	}
	k.pause(500)
	require.False(k.t, k.n.north.proc.ended(), "a full disk ends no program: %s", lastLine(k.n.north.log))
	require.NoError(k.t, os.Remove(filler))
	return refused
}

// longNote is an entry that soon fills what is kept free for entries.
func longNote(s *site) *pb.WriteRequest {
	return &pb.WriteRequest{Author: owner, Entry: &pb.Entry{Body: &pb.Entry_NoteAdded{NoteAdded: &pb.NoteAdded{
		EntityKind: "vehicle", Entity: s.name + " 0", Text: &pb.Sealed{Plain: strings.Repeat("the lid sticks. ", 240)},
	}}}}
}

// readOnly starts the laptop on a disk that takes no writes: it runs, or says in one
// line why not.
func (k *torture) readOnly(disk string) {
	k.n.north.proc.kill()
	mount(k.t, disk, "-o", "remount,ro")
	err := k.n.north.open(k.t.Context(), k.n.cfg.Program, k.n.dir)
	if err == nil {
		k.n.north.proc.kill()
	} else {
		require.ErrorContains(k.t, err, "read-only file system")
	}
	mount(k.t, disk, "-o", "remount,rw")
	k.open(k.n.north, "on a disk that takes writes again")
}

func mount(t *testing.T, at string, how ...string) {
	t.Helper()
	out, err := exec.Command("mount", append(how, at)...).CombinedOutput()
	require.NoError(t, err, "%s", out)
}

func unmount(t *testing.T, at string) {
	out, err := exec.Command("umount", at).CombinedOutput()
	require.NoError(t, err, "%s", out)
}
