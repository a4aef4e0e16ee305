package journal

import (
	"bytes"
	"errors"
	"hash/crc32"
	"io"
	"sync"
)

const (
	windowBytes = 256 << 10 // read at once
	searchBytes = 4 << 10   // looked through at once for the next frame
)

// window reads one segment front to back through a bounded buffer.
type window struct {
	file    io.ReaderAt
	segment uint32
	limit   uint32 // bytes past this do not exist
	buf     []byte
	start   uint32 // offset of buf[0]

	unread   error  // why the disk could not read a part; nil: it could
	unreadTo uint32 // where the last such part ended
}

// buffers of windows that were closed.
var buffers = sync.Pool{New: func() any { return new([]byte) }}

func openWindow(r *reader, s span) window {
	return window{file: r.file, segment: s.segment, limit: s.limit, buf: (*buffers.Get().(*[]byte))[:0]}
}

// close gives the buffer to the next window: no frame is valid any more.
func (w *window) close() {
	buffers.Put(&w.buf)
}

// at gives n bytes from offset, or fewer where the segment ends. The bytes are
// valid until the next call.
func (w *window) at(offset, n uint32) ([]byte, error) {
	if offset >= w.limit {
		return nil, nil
	}
	n = min(n, w.limit-offset)
	if offset < w.start || uint64(offset)+uint64(n) > uint64(w.start)+uint64(len(w.buf)) {
		if err := w.load(offset, n); err != nil {
			return nil, err
		}
	}
	have := w.buf[offset-w.start:]
	return have[:min(int(n), len(have))], nil
}

func (w *window) load(offset, n uint32) error {
	size := min(max(n, windowBytes), w.limit-offset)
	if uint32(cap(w.buf)) < size {
		w.buf = make([]byte, size)
	}
	got, err := w.file.ReadAt(w.buf[:size], int64(offset))
	if err != nil && !errors.Is(err, io.EOF) {
		got, err = w.readPieces(w.buf[:size], offset)
		if err != nil {
			return err
		}
	}
	w.buf, w.start = w.buf[:got], offset
	return nil
}

// head parses the frame header at offset.
func (w *window) head(offset uint32) (frameHead, bool, error) {
	b, err := w.at(offset, frameHeaderBytes)
	if err != nil {
		return frameHead{}, false, err
	}
	h, ok := parseFrameHead(b, Position{w.segment, offset})
	return h, ok && uint64(offset)+uint64(h.size()) <= uint64(w.limit), nil
}

// body reads the body of a frame and says whether it matches its checksum.
func (w *window) body(offset uint32, h frameHead) ([]byte, bool, error) {
	b, err := w.at(offset, h.size())
	if err != nil || uint32(len(b)) != h.size() {
		return nil, false, err
	}
	b = b[frameHeaderBytes:]
	return b, crc32.Checksum(b, castagnoli) == h.crc, nil
}

// framed says whether what starts at offset can be taken for a frame that was
// written there: its header is good, and either its body is good or a good
// header (or the end) follows it.
func (w *window) framed(offset uint32) (bool, error) {
	h, ok, err := w.head(offset)
	if err != nil || !ok {
		return false, err
	}
	next := offset + h.size()
	if _, ok, err = w.head(next); err != nil || ok || next == w.limit {
		return err == nil, err
	}
	_, ok, err = w.body(offset, h)
	return ok, err
}

// next finds the first frame at or after offset; limit when there is none.
func (w *window) next(offset uint32) (uint32, error) {
	for offset < w.limit {
		b, err := w.at(offset, searchBytes)
		if err != nil || len(b) < frameHeaderBytes {
			return w.limit, err
		}
		i := bytes.Index(b, frameMagic)
		if i < 0 {
			offset += uint32(len(b) - len(frameMagic) + 1)
			continue
		}
		offset += uint32(i)
		if ok, err := w.framed(offset); err != nil || ok {
			return offset, err
		}
		offset++
	}
	return w.limit, nil
}

// visitor receives what walk finds, in order. An error from either stops it.
type visitor struct {
	frame  func(offset uint32, h frameHead, frame []byte) error
	damage func(from, to uint32, reason string) error
}

const (
	reasonNoFrame  = "no frame that can be read"
	reasonChecksum = "frame does not match its checksum"
)

// walk visits a segment from offset to its limit. It returns the end of the
// last frame that matched its checksum: what lies between there and the limit
// is no frame and was not reported, since only the caller knows whether the
// segment was still being written. Where the disk cannot read to the limit, nothing
// says that no frame is there: that is damage.
func (w *window) walk(seal sealer, offset uint32, v visitor) (uint32, error) {
	good, reason := offset, "" // everything before good was reported
	for offset < w.limit {
		h, body, err := w.read(offset)
		if err != nil {
			return good, err
		}
		if body == nil {
			if reason == "" {
				reason = reasonChecksum
			}
			if offset, reason, err = w.skip(offset, h, reason); err != nil {
				return good, err
			}
			continue
		}
		if good < offset {
			if err := v.damage(good, offset, w.because(good, reason)); err != nil {
				return good, err
			}
		}
		next := offset + h.size()
		if err := visit(seal, offset, h, body, v); err != nil {
			return good, err
		}
		offset, good, reason = next, next, ""
	}
	if w.unread != nil && w.unreadTo > good && good < w.limit {
		return w.limit, v.damage(good, w.limit, reasonUnread(w.unread))
	}
	return good, nil
}

// read gives the frame at offset; a nil body when it does not match.
func (w *window) read(offset uint32) (frameHead, []byte, error) {
	h, ok, err := w.head(offset)
	if err != nil || !ok {
		return frameHead{}, nil, err
	}
	body, ok, err := w.body(offset, h)
	if err != nil || !ok {
		return h, nil, err
	}
	return h, body, nil
}

// skip steps over what is damaged at offset: one frame when its header is good
// and leads to another, else as far as the next frame.
func (w *window) skip(offset uint32, h frameHead, reason string) (uint32, string, error) {
	if h.body > 0 {
		if ok, err := w.framed(offset); err != nil || ok {
			return offset + h.size(), reason, err
		}
	}
	next, err := w.next(offset + 1)
	return next, reasonNoFrame, err
}

// visit opens one frame and hands it on, or reports why it cannot.
func visit(seal sealer, offset uint32, h frameHead, body []byte, v visitor) error {
	frame, err := seal.open(body, offset)
	if err != nil {
		return v.damage(offset, offset+h.size(), err.Error())
	}
	return v.frame(offset, h, frame)
}
