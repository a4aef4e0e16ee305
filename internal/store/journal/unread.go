package journal

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"
)

// A disk that fails cannot read some of its sectors. What lies there is damaged
// like what does not match its checksum: it is named, passed over and can be
// refilled; it ends no reading of the rest. What is the machine's trouble and passes,
// as too many open files, stays an error.

// sectorBytes is the piece in which a stretch is read that cannot be read at once.
const sectorBytes = 4 << 10

// giveUpAfter bounds the sectors in a row that are tried in one stretch: each can
// cost a failing disk seconds.
const giveUpAfter = 8

// readAgain reads, and once more when that fails: a cable or a remote disk may fail
// for a moment.
func readAgain(file io.ReaderAt, b []byte, offset int64) (int, error) {
	n, err := file.ReadAt(b, offset)
	if err == nil || errors.Is(err, io.EOF) || errors.Is(err, fs.ErrClosed) {
		return n, err
	}
	return file.ReadAt(b, offset)
}

// openAgain opens a segment for reading, the same way.
func (j *Journal) openAgain(segment uint32) (File, error) {
	file, err := j.opt.FS.OpenRead(j.path(segment))
	if err != nil && !passing(err) {
		file, err = j.opt.FS.OpenRead(j.path(segment))
	}
	if err == nil || passing(err) {
		return file, err
	}
	return nil, fmt.Errorf("%w: segment %d: %w", ErrUnreadable, segment, err)
}

// passing is trouble of the machine and not of the disk's bytes.
func passing(err error) bool {
	if errors.Is(err, fs.ErrPermission) {
		return true
	}
	for _, trouble := range passingErrors {
		if errors.Is(err, trouble) {
			return true
		}
	}
	return false
}

// Relook reads the headers again that could not be read when the journal was opened. A
// header says how much of the segment before it counts. ok is false when that is not
// what was shown: then a new start alone can put it right. What could not be put on the
// disk is put there now, if it can be read.
func (j *Journal) Relook() (ok bool, err error) {
	if err := j.settleAgain(); err != nil {
		return false, err
	}
	j.view.RLock()
	live := slices.Clone(j.live)
	j.view.RUnlock()
	read, before := map[uint32]bool{}, Position{}
	for _, s := range live {
		if s.badHeader && !s.missing {
			h, ok, err := j.readHeader(s.segment)
			if err != nil {
				return false, err
			}
			if ok && (h.after != before || h.unsettled != 0) {
				return false, nil
			}
			read[s.segment] = ok
		}
		before = Position{s.segment, s.limit}
	}
	j.view.Lock()
	defer j.view.Unlock()
	for i, s := range j.live {
		j.live[i].badHeader = s.badHeader && !read[s.segment]
	}
	return true, nil
}

// Bytes that a process wrote and could not sync may be read from memory and be gone
// after a power cut. Open writes the end of the journal once more for that; where it
// cannot read that end it cannot, and nothing may be built on it: what was read there
// later, and folded, would be state of a record that is on no disk. So the stretch stays
// unread until it was written and synced after all; the header of the next segment
// says so to a later start.

const reasonUnsettled = "the disk could not read it, so that it may not be on the disk for good"

// shown is where the bytes of a span end that may be read.
func (s span) shown() uint32 {
	if s.unsettled == 0 {
		return s.limit
	}
	return min(s.unsettled, s.limit)
}

// unsettled is that of the newest span.
func (j *Journal) unsettled() uint32 {
	j.view.RLock()
	defer j.view.RUnlock()
	if len(j.live) == 0 {
		return 0
	}
	return j.live[len(j.live)-1].unsettled
}

// settleOlder settles what earlier starts could not, and names what it cannot either.
func (j *Journal) settleOlder(c *chain) error {
	if err := j.settleAgain(); err != nil {
		return err
	}
	for _, s := range j.live {
		if s.unsettled != 0 && !s.missing {
			c.damaged(s, s.shown(), s.limit, reasonUnsettled)
		}
	}
	return nil
}

// settleAgain tries to put on the disk what could not be put there. What cannot be
// now stays as it is; an error is trouble of the machine.
func (j *Journal) settleAgain() error {
	j.view.RLock()
	live := slices.Clone(j.live)
	j.view.RUnlock()
	for i, s := range live {
		if s.unsettled == 0 || s.missing {
			continue
		}
		switch err := j.settleSpan(s); {
		case errors.Is(err, ErrClosed):
			return err
		case err == nil:
			j.view.Lock()
			j.live[i].unsettled = 0
			j.view.Unlock()
		}
	}
	return nil
}

// settleSpan writes and syncs the end of a span that nothing is written behind any more.
func (j *Journal) settleSpan(s span) error {
	from := s.unsettled
	if from == headerBytes {
		from = 0 // the header was written with the first batch
	}
	file, err := j.opt.FS.OpenWrite(j.path(s.segment))
	if err != nil {
		return err
	}
	if err = j.rewrite(file, s, from); err == nil {
		err = file.Sync()
	}
	if err == nil {
		err = j.opt.FS.SyncDir(j.opt.Dir)
	}
	return errors.Join(err, file.Close())
}

func reasonUnread(err error) string { return "the disk cannot read it: " + err.Error() }

// readPieces reads into b what can be read, sector by sector; what cannot be is
// zero, which is no frame and no part of one. It notes where that was.
func (w *window) readPieces(b []byte, offset uint32) (got int, err error) {
	inRow := 0
	for got < len(b) {
		// Pieces end where sectors do, wherever the stretch begins.
		end := min(len(b), got+sectorBytes-int((offset+uint32(got))%sectorBytes))
		piece := b[got:end]
		n, err := 0, w.unread
		if inRow < giveUpAfter {
			n, err = readAgain(w.file, piece, int64(offset)+int64(got))
		}
		switch {
		case errors.Is(err, io.EOF):
			return got + n, nil
		case errors.Is(err, fs.ErrClosed):
			return got, err
		case err != nil:
			clear(piece)
			w.unread, w.unreadTo = err, offset+uint32(end)
			inRow++
		default:
			inRow = 0
		}
		got = end
	}
	return got, nil
}

// because is the reason for damage that begins at an offset: the disk's own words
// when it could not read there.
func (w *window) because(from uint32, reason string) string {
	if w.unread != nil && w.unreadTo > from {
		return reasonUnread(w.unread)
	}
	return reason
}
