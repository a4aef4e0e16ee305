package journal

import (
	"cmp"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"
	"slices"
)

// maxReaders bounds the files kept open for reading.
const maxReaders = 4

const (
	reasonMissing = "segment file is missing"
	reasonShort   = "segment file ends early"
)

// reader is an open segment; uses and its place in Journal.readers are guarded
// by the view lock.
type reader struct {
	segment uint32
	file    File
	seal    sealer
	uses    int
}

// ReadAt reads the acknowledged frame at p. The frame may lie in buf, which
// grows as needed, and is the caller's. next is where the following frame is or
// will be. ErrNotFound: no acknowledged frame can start there. ErrDamaged: the
// bytes there are not a frame that was written there.
func (j *Journal) ReadAt(p Position, buf []byte) (frame []byte, next Position, err error) {
	s, err := j.locate(p)
	if err != nil {
		return nil, Position{}, err
	}
	if s.missing {
		return nil, Position{}, fmt.Errorf("%w: %v: %s", ErrDamaged, p, reasonMissing)
	}
	r, err := j.acquire(p.Segment)
	if err != nil {
		return nil, Position{}, err
	}
	defer j.release(r)
	frame, size, err := r.readFrame(p, s.limit, buf)
	if err != nil {
		return nil, Position{}, err
	}
	return frame, j.following(Position{p.Segment, p.Offset + size}), nil
}

// ReadEach reads the frames at positions in the order given and hands each on,
// with its place in ps. For positions that rise it reads the disk once for many.
// The frame is valid during the call. It ends at the first error: of fn, or the
// ones that ReadAt gives.
func (j *Journal) ReadEach(ps []Position, fn func(i int, frame []byte) error) error {
	for done := 0; done < len(ps); {
		n := 1
		for done+n < len(ps) && ps[done+n].Segment == ps[done].Segment && ps[done+n].Offset > ps[done+n-1].Offset {
			n++
		}
		if err := j.readRising(ps[done:done+n], func(i int, frame []byte) error { return fn(done+i, frame) }); err != nil {
			return err
		}
		done += n
	}
	return nil
}

// readRising reads frames of one segment through one window.
func (j *Journal) readRising(ps []Position, fn func(i int, frame []byte) error) error {
	s, err := j.locate(ps[0])
	if err != nil {
		return err
	}
	if s.missing {
		return fmt.Errorf("%w: %v: %s", ErrDamaged, ps[0], reasonMissing)
	}
	r, err := j.acquire(s.segment)
	if err != nil {
		return err
	}
	defer j.release(r)
	w := openWindow(r, s)
	defer w.close()
	for i, p := range ps {
		if p.Offset >= s.shown() {
			_, err := j.locate(p)
			return err
		}
		_, body, err := w.read(p.Offset)
		if err != nil {
			return err
		}
		if body == nil || p.Offset < headerBytes {
			return fmt.Errorf("%w: %v: %s", ErrDamaged, p, w.because(p.Offset, reasonNoFrame))
		}
		frame, err := r.seal.open(body, p.Offset)
		if err != nil {
			return fmt.Errorf("%w: %v: %w", ErrDamaged, p, err)
		}
		if err := fn(i, frame); err != nil {
			return err
		}
	}
	return nil
}

// following moves a position at the end of a segment to the start of the next
// one, when there is one.
func (j *Journal) following(p Position) Position {
	j.view.RLock()
	defer j.view.RUnlock()
	i, ok := j.search(p.Segment)
	if ok && p.Offset == j.live[i].limit && i+1 < len(j.live) {
		return Position{j.live[i+1].segment, headerBytes}
	}
	return p
}

// locate finds the span that holds p.
func (j *Journal) locate(p Position) (span, error) {
	j.view.RLock()
	defer j.view.RUnlock()
	if j.closed {
		return span{}, ErrClosed
	}
	i, ok := j.search(p.Segment)
	switch {
	case !ok || p.Offset < headerBytes:
	case p.Offset < j.live[i].shown():
		return j.live[i], nil
	case p.Offset < j.live[i].limit:
		return span{}, fmt.Errorf("%w: %v: %s", ErrUnreadable, p, reasonUnsettled)
	case j.live[i].loose:
		return span{}, fmt.Errorf("%w: %v: %s", ErrDamaged, p, reasonShort)
	}
	return span{}, fmt.Errorf("%w: %v", ErrNotFound, p)
}

// search finds a segment in live; the view lock is held.
func (j *Journal) search(segment uint32) (int, bool) {
	return slices.BinarySearchFunc(j.live, segment, func(s span, n uint32) int { return cmp.Compare(s.segment, n) })
}

// readFrame reads and checks one frame; size is its length on the disk.
func (r *reader) readFrame(p Position, limit uint32, buf []byte) (frame []byte, size uint32, err error) {
	buf = slices.Grow(buf[:0], frameHeaderBytes)[:frameHeaderBytes]
	if err := r.readFull(buf, p, p.Offset); err != nil {
		return nil, 0, err
	}
	h, ok := parseFrameHead(buf, p)
	if !ok || uint64(p.Offset)+uint64(h.size()) > uint64(limit) {
		return nil, 0, fmt.Errorf("%w: %v: %s", ErrDamaged, p, reasonNoFrame)
	}
	body := slices.Grow(buf[:0], int(h.body))[:h.body]
	if err := r.readFull(body, p, p.Offset+frameHeaderBytes); err != nil {
		return nil, 0, err
	}
	if crc32.Checksum(body, castagnoli) != h.crc {
		return nil, 0, fmt.Errorf("%w: %v: %s", ErrDamaged, p, reasonChecksum)
	}
	frame, err = r.seal.open(body, p.Offset)
	if err != nil {
		return nil, 0, fmt.Errorf("%w: %v: %w", ErrDamaged, p, err)
	}
	return frame, h.size(), nil
}

func (r *reader) readFull(b []byte, p Position, offset uint32) error {
	_, err := readAgain(r.file, b, int64(offset))
	switch {
	case err == nil, errors.Is(err, fs.ErrClosed):
		return err
	case errors.Is(err, io.EOF):
		return fmt.Errorf("%w: %v: %s", ErrDamaged, p, reasonShort)
	}
	return fmt.Errorf("%w: %v: %w", ErrUnreadable, p, err)
}

// Scan hands on every frame from a position (the zero Position for all) to the
// end as it is now, in order. The frame is valid during the call. Each damaged
// stretch goes to onDamage, once, in its place in the order; a nil onDamage
// makes the first one an ErrDamaged. An error from either function ends the
// scan and is returned. ErrNotFound: from is past the end, or where nothing was
// ever acknowledged. A from inside a frame counts as damage as far as the next.
func (j *Journal) Scan(from Position, fn func(Position, []byte) error, onDamage func(from, to Position, reason string) error) error {
	if onDamage == nil {
		onDamage = func(from, _ Position, reason string) error {
			return fmt.Errorf("%w: %v: %s", ErrDamaged, from, reason)
		}
	}
	spans, err := j.spansFrom(from)
	if err != nil {
		return err
	}
	for _, s := range spans {
		start := uint32(headerBytes)
		if s.segment == from.Segment {
			start = max(start, from.Offset)
		}
		if err := j.scanSpan(s, start, fn, onDamage); err != nil {
			return err
		}
	}
	return nil
}

// spansFrom copies the spans that a scan from a position has to visit.
func (j *Journal) spansFrom(from Position) ([]span, error) {
	j.view.RLock()
	defer j.view.RUnlock()
	if j.closed {
		return nil, ErrClosed
	}
	i, ok := j.search(from.Segment)
	void := ok && from.Offset > j.live[i].limit && !j.live[i].loose || !ok && from.Offset > headerBytes && !from.IsZero()
	if void || from.Compare(j.end) > 0 {
		return nil, fmt.Errorf("%w: %v; the journal ends at %v", ErrNotFound, from, j.end)
	}
	return slices.Clone(j.live[i:]), nil
}

// scanSpan visits one segment and reports everything in it that is not a frame.
func (j *Journal) scanSpan(s span, start uint32, fn func(Position, []byte) error, onDamage func(from, to Position, reason string) error) error {
	v := visitor{
		frame: func(offset uint32, _ frameHead, frame []byte) error { return fn(Position{s.segment, offset}, frame) },
		damage: func(a, b uint32, reason string) error {
			return onDamage(Position{s.segment, a}, Position{s.segment, b}, reason)
		},
	}
	if s.missing {
		return v.damage(start, s.limit, reasonMissing)
	}
	if start > s.limit {
		return v.damage(s.limit, start, reasonShort)
	}
	if s.badHeader && start == headerBytes {
		if err := v.damage(0, headerBytes, errHeader.Error()); err != nil {
			return err
		}
	}
	shown, limit := s.shown(), s.limit
	if s.limit = shown; start < shown {
		end, err := j.walkSpan(s, start, v)
		if err == nil && end < shown {
			err = v.damage(end, shown, reasonNoFrame)
		}
		if err != nil {
			return err
		}
	}
	if shown < limit {
		return v.damage(max(start, shown), limit, reasonUnsettled)
	}
	return nil
}

// walkSpan opens a segment's file and walks it.
func (j *Journal) walkSpan(s span, start uint32, v visitor) (uint32, error) {
	r, err := j.acquire(s.segment)
	if errors.Is(err, ErrDamaged) {
		return s.limit, v.damage(start, s.limit, err.Error())
	}
	if err != nil {
		return start, err
	}
	defer j.release(r)
	w := openWindow(r, s)
	defer w.close()
	return w.walk(r.seal, start, v)
}

// acquire gives the open file of a segment; release must follow. ErrDamaged: the
// disk cannot open it.
func (j *Journal) acquire(segment uint32) (*reader, error) {
	j.view.Lock()
	defer j.view.Unlock()
	if j.closed {
		return nil, ErrClosed
	}
	if r := j.readers[segment]; r != nil {
		r.uses++
		return r, nil
	}
	seal, err := newSealer(j.opt.Key, segment)
	if err != nil {
		return nil, err
	}
	file, err := j.openAgain(segment)
	if err != nil {
		return nil, err
	}
	r := &reader{segment: segment, file: file, seal: seal, uses: 1}
	j.readers[segment] = r
	return r, nil
}

// release closes the file when too many are open or the journal is closed. The
// newest segments are the ones worth keeping.
func (j *Journal) release(r *reader) {
	j.view.Lock()
	defer j.view.Unlock()
	r.uses--
	if r.uses > 0 || !j.closed && len(j.readers) <= maxReaders {
		return
	}
	delete(j.readers, r.segment)
	// Nothing was written through it, so its Close has nothing to lose.
	_ = r.file.Close()
}
