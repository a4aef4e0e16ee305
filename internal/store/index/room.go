package index

import (
	"fmt"
	"time"
)

// Badger writes through mapped files, and where a page of one finds no room on the disk the
// system ends the process, in a goroutine of Badger's own, where nothing can recover it. So
// nothing is given to Badger unless there is room for it and for what other programs will
// have taken before Badger is done, which works on for a moment after an update: flushing
// and merging tables. Nobody can know that another program is about to begin, so this is
// no proof. It is what keeps a process that writes without a pause going while its disk is
// filled at 400 MiB/s (TestADiskThatIsFilled; without it, each such filling ended it); at
// 1000 MiB/s, on a busy machine, one filling in some hundreds still did.
const (
	// roomTables is the room that must be left, in tables in memory: two being written,
	// two being flushed and as much again for merging them, and the rest for what another
	// program takes meanwhile.
	roomTables = 64
	// aheadFor is how long Badger may take to write what it was given, and aheadAtMost
	// bounds the room that is left for what is seen to go within that time.
	aheadFor    = time.Second
	aheadAtMost = 1 << 30
	// paceOver is how long the room is watched before it is believed how fast it goes.
	paceOver = 100 * time.Millisecond
	// restEvery and restAtMost are how often and how long an update looks whether Badger
	// is done, where less than aheadAtMost is left.
	restEvery  = 2 * time.Millisecond
	restAtMost = time.Second
	// roomEvery is how often a disk without room is asked again before an index is closed.
	roomEvery = 100 * time.Millisecond
)

// scarce says that less is left than another program may take within a second.
func (f *folder) scarce() bool {
	free, err := f.opt.free(f.opt.Dir)
	return err == nil && free < aheadAtMost
}

// room refuses when the disk is nearly full, or will be before Badger has done its work.
func (f *folder) room() error {
	free, err := f.opt.free(f.opt.Dir)
	if err != nil {
		return fmt.Errorf("ask for the room left: %w", err)
	}
	need := roomTables*uint64(f.opt.MemTableBytes) + f.pace.ahead(free, f.opt.Elapsed()) // #nosec G115 -- at least defaultMemTable
	if free < need {
		return fmt.Errorf("%w: %d bytes left in %s, expected at least %d", ErrNoSpace, free, f.opt.Dir, need)
	}
	return nil
}

// pace is how fast the room on a disk goes, whoever takes it: believed at once, and
// forgotten within seconds of being seen no more, or when somebody makes room.
type pace struct {
	from, last  time.Duration // when the present watch began, and the latest look
	free        uint64        // when the watch began
	bytesSecond uint64
}

// ahead is the room that will go within aheadFor.
func (p *pace) ahead(free uint64, now time.Duration) uint64 {
	if p.last == 0 || now < p.last || free > p.free {
		*p = pace{from: now, free: free}
	}
	if now > p.last {
		p.bytesSecond -= uint64(float64(p.bytesSecond) * min(1, (now-p.last).Seconds()))
	}
	p.last = now
	took := max(now-p.from, paceOver)
	p.bytesSecond = max(p.bytesSecond, uint64(float64(p.free-free)/took.Seconds()))
	if took > paceOver {
		p.from, p.free = now, free
	}
	return min(uint64(float64(p.bytesSecond)*aheadFor.Seconds()), aheadAtMost)
}
