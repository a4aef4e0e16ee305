package journal

import (
	"errors"
	"fmt"
)

// commitTries bounds how many segments one Commit may poison.
const commitTries = 3

// keepBuffer is the batch buffer kept between commits, in bytes.
const keepBuffer = 4 << 20

// activeSegment is the file being written.
type activeSegment struct {
	segment uint32
	file    File
	seal    sealer
	size    uint32 // acknowledged bytes, the header included; 0 until the first commit
}

func (a *activeSegment) close() error {
	if a == nil {
		return nil
	}
	return a.file.Close()
}

// Commit writes frames and syncs them. On nil every frame is on the disk at
// the position given, in order. On an error none is acknowledged and no
// position may be used; the caller keeps the frames and may try again. The
// frames are not kept. It refuses, with ErrTooLarge, an empty frame, one over
// MaxFrame and a batch over MaxCommit.
func (j *Journal) Commit(frames [][]byte) ([]Position, error) {
	if err := j.checkBatch(frames); err != nil {
		return nil, err
	}
	j.commit.Lock()
	defer j.commit.Unlock()
	switch {
	case j.closed:
		return nil, ErrClosed
	case j.opt.ReadOnly:
		return nil, ErrReadOnly
	}
	if len(frames) == 0 {
		return nil, nil
	}
	for try := 1; ; try++ {
		positions, err := j.commitOnce(frames)
		if err == nil {
			j.reserve.fillLater(j.opt.Now())
			return positions, nil
		}
		// The state of the file is unknown. Never sync it again.
		j.poison()
		if !j.worthAnother(err, try) {
			return nil, fmt.Errorf("journal: nothing of this batch is acknowledged: %w", err)
		}
	}
}

// worthAnother decides on a further try in a new segment. A full disk is worth
// one only when giving up the reserve made room.
func (j *Journal) worthAnother(err error, try int) bool {
	if errors.Is(err, ErrNoSpace) {
		return j.reserve.release()
	}
	return try < commitTries
}

func (j *Journal) checkBatch(frames [][]byte) error {
	for i, f := range frames {
		if len(f) == 0 || len(f) > MaxFrame {
			return fmt.Errorf("%w: frame %d of %d has %d bytes, expected 1 to %d", ErrTooLarge, i+1, len(frames), len(f), MaxFrame)
		}
	}
	if n := j.batchBytes(frames); n > MaxCommit {
		return fmt.Errorf("%w: a batch of %d bytes is over %d", ErrTooLarge, n, MaxCommit)
	}
	return nil
}

// batchBytes is the size of frames on the disk.
func (j *Journal) batchBytes(frames [][]byte) int {
	each := frameHeaderBytes
	if j.opt.Key != nil {
		each += sealBytes
	}
	total := each * len(frames)
	for _, f := range frames {
		total += len(f)
	}
	return total
}

// commitOnce is the whole protocol: write, sync the file, sync the name of a
// new file, and only then publish. A crash after any step before the last
// leaves bytes that nobody was promised; the next Open reads them or takes them
// for a torn end, and a later segment's header puts them out of sight.
func (j *Journal) commitOnce(frames [][]byte) ([]Position, error) {
	if err := j.ready(j.batchBytes(frames)); err != nil {
		return nil, err
	}
	a := j.active
	positions := j.encode(frames)
	if _, err := a.file.WriteAt(j.buf, int64(a.size)); err != nil {
		return nil, err
	}
	if err := j.sync(a.file); err != nil {
		return nil, err
	}
	if a.size == 0 {
		if err := j.opt.FS.SyncDir(j.opt.Dir); err != nil {
			return nil, err
		}
	}
	a.size += uint32(len(j.buf))
	j.publish(Position{a.segment, a.size})
	if cap(j.buf) > keepBuffer {
		j.buf = nil
	}
	return positions, nil
}

// sync syncs a file of records, and tells how long that took. One that failed took as
// long as it took.
func (j *Journal) sync(file File) error {
	if j.opt.Synced == nil {
		return file.Sync()
	}
	began := j.opt.Elapsed()
	err := file.Sync()
	j.opt.Synced(j.opt.Elapsed() - began)
	return err
}

// ready makes sure a segment is open that has room for n more bytes.
func (j *Journal) ready(n int) error {
	if j.active != nil && int(j.active.size)+n <= j.opt.SegmentBytes {
		return nil
	}
	if j.active != nil {
		// Everything in it is synced; an error of Close takes nothing back.
		_ = j.active.close()
		j.active = nil
	}
	number := j.nextSegment
	seal, err := newSealer(j.opt.Key, number)
	if err != nil {
		return err
	}
	j.nextSegment++
	file, err := j.opt.FS.Create(j.path(number))
	if err != nil {
		return err
	}
	j.active = &activeSegment{segment: number, file: file, seal: seal}
	return nil
}

// encode fills buf with the batch, behind a header when the segment is new.
func (j *Journal) encode(frames [][]byte) []Position {
	a := j.active
	b := j.buf[:0]
	if a.size == 0 {
		h := segmentHeader{cipher: j.cipherID(), segment: a.segment, after: j.end, unsettled: j.unsettled(),
			createdMS: j.opt.Now().UnixMilli(), keyID: j.keyID, session: j.session}
		b = h.append(b, a.seal)
	}
	positions := make([]Position, len(frames))
	for i, f := range frames {
		p := Position{a.segment, a.size + uint32(len(b))}
		b = appendFrame(b, p, i == 0, a.seal, j.session, f)
		positions[i] = p
	}
	j.buf = b
	return positions
}

// publish lets readers see everything before end.
func (j *Journal) publish(end Position) {
	j.view.Lock()
	defer j.view.Unlock()
	j.end = end
	if n := len(j.live); n > 0 && j.live[n-1].segment == end.Segment {
		j.live[n-1].limit = end.Offset
		return
	}
	j.live = append(j.live, span{segment: end.Segment, limit: end.Offset})
}

// poison gives up the active segment after a failure. What it acknowledged
// stays. A file in which nothing was ever acknowledged is removed to give its
// room back; if that fails it lies there unread.
func (j *Journal) poison() {
	a := j.active
	if a == nil {
		return
	}
	j.active = nil
	_ = a.close()
	if a.size == 0 {
		_ = j.opt.FS.Remove(j.path(a.segment))
	}
}
