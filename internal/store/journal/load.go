package journal

import (
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
)

// found is a segment file as the directory and its first bytes show it.
type found struct {
	segment  uint32
	size     uint32 // bytes in the file
	header   segmentHeader
	headerOK bool
}

// load reads the directory, decides which bytes are acknowledged, syncs the
// last segment and goes on in it when nothing about it is odd.
func (j *Journal) load() (Report, error) {
	files, err := j.findSegments()
	if err != nil {
		return Report{}, err
	}
	c := chain{journal: j}
	if err := c.build(files); err != nil {
		return Report{}, err
	}
	j.live = c.spans
	for _, s := range j.live {
		j.end = Position{s.segment, s.limit}
		if !s.missing {
			c.report.Segments++
		}
	}
	c.report.End = j.end
	if len(files) > 0 {
		j.nextSegment = files[len(files)-1].segment + 1
	}
	err = j.settle(files, &c)
	return c.report, err
}

// findSegments reads every segment's header, in order of number.
func (j *Journal) findSegments() ([]found, error) {
	entries, err := j.opt.FS.ReadDir(j.opt.Dir)
	if err != nil {
		return nil, err
	}
	var files []found
	for _, e := range entries {
		n, ok := segmentNumber(e.Name)
		if !ok {
			continue
		}
		if e.Size > math.MaxUint32 {
			return nil, fmt.Errorf("%w: %s has %d bytes", ErrFormat, e.Name, e.Size)
		}
		f := found{segment: n, size: uint32(e.Size)}
		if f.header, f.headerOK, err = j.readHeader(n); err != nil {
			return nil, err
		}
		files = append(files, f)
	}
	return files, nil
}

// readHeader gives the header of a segment; not ok when it is torn or damaged, or
// cannot be read.
// It refuses a segment that was written with another key.
func (j *Journal) readHeader(segment uint32) (segmentHeader, bool, error) {
	r, err := j.acquire(segment)
	if errors.Is(err, ErrDamaged) {
		return segmentHeader{}, false, nil
	}
	if err != nil {
		return segmentHeader{}, false, err
	}
	defer j.release(r)
	b := make([]byte, headerBytes)
	n, err := readAgain(r.file, b, 0)
	if err != nil && !errors.Is(err, io.EOF) {
		return segmentHeader{}, false, nil
	}
	h, err := decodeHeader(b[:n], segment)
	if errors.Is(err, errHeader) {
		return segmentHeader{}, false, nil
	}
	if err != nil {
		return segmentHeader{}, false, err
	}
	return h, true, j.checkKey(h, b, r.seal)
}

// checkKey compares what a header says with the key that was given.
func (j *Journal) checkKey(h segmentHeader, raw []byte, seal sealer) error {
	switch {
	case h.cipher != cipherNone && h.cipher != cipherAESGCM:
		return fmt.Errorf("%w: segment %d uses cipher %d", ErrFormat, h.segment, h.cipher)
	case h.cipher == cipherNone && j.opt.Key != nil:
		return fmt.Errorf("%w: this journal is not encrypted, but a key was given", ErrKey)
	case h.cipher == cipherAESGCM && j.opt.Key == nil:
		return fmt.Errorf("%w: this journal is encrypted with key %q, but no key was given", ErrKey, trimID(h.keyID))
	case h.keyID != j.keyID && !(j.opt.ReadOnly && j.opt.KeyID == ""):
		return fmt.Errorf("%w: this journal is encrypted with key %q, not %q", ErrKey, trimID(h.keyID), j.opt.KeyID)
	case string(seal.headerTag(h.session, raw[:56])) != string(raw[56:72]):
		return fmt.Errorf("%w: the header of segment %d does not authenticate", ErrKey, h.segment)
	}
	return nil
}

func trimID(id [keyIDBytes]byte) string {
	n := len(id)
	for n > 0 && id[n-1] == 0 {
		n--
	}
	return string(id[:n])
}

// settle makes what was found durable and reopens the last segment for writing
// when it is whole, is the newest file and has room.
func (j *Journal) settle(files []found, c *chain) error {
	if len(j.live) == 0 || j.opt.ReadOnly {
		return nil
	}
	if err := j.settleOlder(c); err != nil {
		return err
	}
	last := &j.live[len(j.live)-1]
	file, err := j.opt.FS.OpenWrite(j.path(last.segment))
	if err != nil {
		return err
	}
	if err = j.rewrite(file, *last, c.lastBatch); errors.Is(err, ErrDamaged) || errors.Is(err, ErrNoSpace) {
		// Nobody knows whether that is on the disk: its end is written on no more. A disk
		// that is full may refuse to write over what is there; that can still be read.
		if errors.Is(err, ErrDamaged) {
			last.unsettled = max(c.lastBatch, headerBytes)
		}
		c.damaged(*last, c.lastBatch, last.limit, err.Error())
		err = nil
	}
	if err == nil {
		err = file.Sync()
	}
	if err == nil {
		err = j.opt.FS.SyncDir(j.opt.Dir)
	}
	newest := files[len(files)-1]
	spotless := len(c.report.Damaged) == 0 &&
		newest.segment == last.segment && newest.headerOK && newest.size == last.limit
	if err != nil || !spotless {
		return errors.Join(err, file.Close())
	}
	seal, err := newSealer(j.opt.Key, last.segment)
	if err != nil {
		return errors.Join(err, file.Close())
	}
	j.active = &activeSegment{segment: last.segment, file: file, seal: seal, size: last.limit}
	return nil
}

// rewrite writes the end of a segment once more as it is, so that bytes which an
// earlier process could not sync are on their way to the disk again. ErrDamaged:
// it cannot be read, and what could not be read was not written.
func (j *Journal) rewrite(file File, last span, from uint32) error {
	r, err := j.acquire(last.segment)
	if err != nil {
		return err
	}
	defer j.release(r)
	w := openWindow(r, last)
	defer w.close()
	for from < last.limit {
		b, err := w.at(from, windowBytes)
		if err != nil || len(b) == 0 {
			return err
		}
		if w.unread != nil {
			return fmt.Errorf("%w: segment %d cannot be read: %w", ErrDamaged, last.segment, w.unread)
		}
		if _, err := file.WriteAt(b, int64(from)); err != nil {
			return err
		}
		from += uint32(len(b))
	}
	return nil
}

// chain works out the acknowledged spans from the newest file back: each header
// says where the journal ended when its segment was begun.
type chain struct {
	journal *Journal
	spans   []span
	report  Report
	end     Position // where the span below must end, when known
	known   bool

	unsettled uint32 // of the span below, when its end is known

	lastBatch uint32 // offset in the newest span; 0 when that is its first batch
}

func (c *chain) build(files []found) error {
	for i := len(files) - 1; i >= 0; i-- {
		f := files[i]
		if c.known && f.segment > c.end.Segment {
			continue // written after that end, never acknowledged
		}
		if c.known && f.segment < c.end.Segment {
			c.missing()
		}
		c.unvouched(f.segment)
		s, ok, err := c.span(f)
		if err != nil {
			return err
		}
		if !ok {
			continue
		}
		if c.known && !c.journal.opt.ReadOnly { // who only reads cannot settle it, and builds nothing on it
			s.unsettled = c.unsettled
		}
		c.spans = append(c.spans, s)
		c.end, c.unsettled, c.known = f.header.after, f.header.unsettled, f.headerOK
	}
	if c.known && !c.end.IsZero() {
		c.missing()
	}
	c.unvouched(0)
	slices.Reverse(c.spans)
	slices.SortStableFunc(c.report.Damaged, func(a, b Range) int { return a.From.Compare(b.From) })
	return nil
}

// missing records a segment that a later header vouches for and that is gone.
func (c *chain) missing() {
	s := span{segment: c.end.Segment, limit: c.end.Offset, missing: true}
	c.spans = append(c.spans, s)
	c.damaged(s, headerBytes, s.limit, reasonMissing)
	c.known = false
}

// maxUnvouched bounds the segments of one gap that are taken for missing.
const maxUnvouched = 1 << 12

// unvouched records what may be gone where the header behind a gap in the numbers
// cannot be read: whether those files held anything, and how much, is not known. What
// the index still says of them is then damage, and not a place that never was.
func (c *chain) unvouched(below uint32) {
	if len(c.spans) == 0 || c.known {
		return
	}
	above := c.spans[len(c.spans)-1].segment
	for n := above - min(above, 1); n > below && above-n <= maxUnvouched; n-- {
		s := span{segment: n, limit: math.MaxUint32, missing: true}
		c.spans = append(c.spans, s)
		c.damaged(s, headerBytes, s.limit, reasonMissing)
	}
}

func (c *chain) damaged(s span, from, to uint32, reason string) {
	c.report.Damaged = append(c.report.Damaged, Range{Position{s.segment, from}, Position{s.segment, to}, reason})
}

// span decides how much of one file is acknowledged; false for a newest file
// that was never finished.
func (c *chain) span(f found) (span, bool, error) {
	s := span{segment: f.segment, limit: f.size, badHeader: !f.headerOK}
	if c.known {
		s.limit = c.end.Offset
		if f.size < s.limit {
			c.damaged(s, f.size, s.limit, reasonShort)
		}
	} else {
		unfinished, err := c.measure(f, &s)
		if err != nil || unfinished {
			return s, false, err
		}
	}
	if s.badHeader {
		c.damaged(s, 0, headerBytes, errHeader.Error())
	}
	return s, true, nil
}

// measure reads a file that no later header vouches for. In the newest one an
// unreadable end is a torn write; in any other it is damage.
func (c *chain) measure(f found, s *span) (unfinished bool, err error) {
	newest := len(c.spans) == 0
	frames := 0
	end, err := c.journal.walkSpan(*s, headerBytes, visitor{
		frame: func(offset uint32, h frameHead, _ []byte) error {
			if newest && h.first && frames > 0 {
				c.lastBatch = offset
			}
			frames++
			return nil
		},
		damage: func(from, to uint32, reason string) error {
			frames++
			c.damaged(*s, from, to, reason)
			return nil
		},
	})
	if err != nil {
		return false, err
	}
	if !newest {
		s.loose = true
		if end < f.size {
			c.damaged(*s, end, f.size, reasonNoFrame)
		}
		return false, nil
	}
	if frames == 0 && !f.headerOK {
		c.report.TornBytes += int64(f.size)
		return true, nil
	}
	c.report.TornBytes += int64(f.size) - int64(min(end, f.size))
	s.limit = end
	return false, nil
}
