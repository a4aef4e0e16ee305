package journal

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"strconv"
	"strings"
)

const (
	headerBytes      = 80
	frameHeaderBytes = 16
	FormatVersion    = 1 // of the files; what is not this number is refused
	headerMagic      = "THAWJRNL"
	segmentSuffix    = ".journal"

	// MaxFrame is the longest frame Commit takes, in bytes: 1 MiB and room
	// for the caller's own envelope.
	MaxFrame = 1<<20 + 4<<10

	maxBody = MaxFrame + sealBytes
)

var (
	castagnoli = crc32.MakeTable(crc32.Castagnoli)
	frameMagic = []byte{0xF7, 'T', 'f'}

	errHeader = errors.New("segment header does not match its checksum")
)

// segmentHeader is the decoded first 80 bytes of a segment.
type segmentHeader struct {
	cipher    byte
	segment   uint32
	after     Position // where the journal ended when this segment was begun
	createdMS int64    // milliseconds since 1970 UTC
	keyID     [keyIDBytes]byte
	session   [sessionBytes]byte
	unsettled uint32 // span.unsettled of the segment before, when this one was begun
}

// append writes the header, sealed by the segment's own key when there is one.
func (h segmentHeader) append(b []byte, s sealer) []byte {
	start := len(b)
	b = append(b, headerMagic...)
	b = binary.BigEndian.AppendUint16(b, FormatVersion)
	b = append(b, h.cipher, 0)
	b = binary.BigEndian.AppendUint32(b, h.segment)
	b = h.after.AppendTo(b)
	b = binary.BigEndian.AppendUint64(b, uint64(h.createdMS))
	b = append(b, h.keyID[:]...)
	b = append(b, h.session[:]...)
	b = append(b, s.headerTag(h.session, b[start:])...)
	b = binary.BigEndian.AppendUint32(b, h.unsettled)
	return binary.BigEndian.AppendUint32(b, crc32.Checksum(b[start:], castagnoli))
}

// decodeHeader reads a header; errHeader means torn or damaged, any other
// error means written by a program that this one does not understand.
func decodeHeader(b []byte, segment uint32) (segmentHeader, error) {
	if len(b) != headerBytes || string(b[:8]) != headerMagic ||
		crc32.Checksum(b[:76], castagnoli) != binary.BigEndian.Uint32(b[76:]) {
		return segmentHeader{}, errHeader
	}
	if v := binary.BigEndian.Uint16(b[8:]); v != FormatVersion {
		kind := ErrFormat
		if v > FormatVersion {
			kind = ErrNewer
		}
		return segmentHeader{}, fmt.Errorf("%w (segment %d has format version %d, this program knows %d)", kind, segment, v, FormatVersion)
	}
	h := segmentHeader{cipher: b[10], segment: binary.BigEndian.Uint32(b[12:])}
	h.after = Position{binary.BigEndian.Uint32(b[16:]), binary.BigEndian.Uint32(b[20:])}
	h.createdMS = int64(binary.BigEndian.Uint64(b[24:]))
	copy(h.keyID[:], b[32:48])
	copy(h.session[:], b[48:56])
	h.unsettled = binary.BigEndian.Uint32(b[72:])
	if h.segment != segment || h.after.Segment >= segment {
		return segmentHeader{}, fmt.Errorf("%w: the file of segment %d says it is segment %d, after %v",
			ErrFormat, segment, h.segment, h.after)
	}
	return h, nil
}

// appendFrame writes one frame that will stand at p; first in its batch or not.
func appendFrame(b []byte, p Position, first bool, s sealer, session [sessionBytes]byte, frame []byte) []byte {
	start := len(b)
	b = append(b, make([]byte, frameHeaderBytes)...)
	b = s.seal(b, session, p.Offset, frame)
	head, body := b[start:start+frameHeaderBytes], b[start+frameHeaderBytes:]
	copy(head, frameMagic)
	if first {
		head[3] = 1
	}
	binary.BigEndian.PutUint32(head[4:], uint32(len(body)))
	binary.BigEndian.PutUint32(head[8:], crc32.Checksum(body, castagnoli))
	binary.BigEndian.PutUint32(head[12:], frameHeaderCRC(p, head))
	return b
}

// frameHead is a frame header that matched its checksum.
type frameHead struct {
	first bool   // of its batch
	body  uint32 // length in bytes
	crc   uint32 // of the body
}

// size is the length of header and body together.
func (h frameHead) size() uint32 { return frameHeaderBytes + h.body }

// parseFrameHead checks the 16 bytes found at p.
func parseFrameHead(b []byte, p Position) (frameHead, bool) {
	if len(b) < frameHeaderBytes || !bytes.Equal(b[:3], frameMagic) || b[3] > 1 {
		return frameHead{}, false
	}
	h := frameHead{b[3] == 1, binary.BigEndian.Uint32(b[4:]), binary.BigEndian.Uint32(b[8:])}
	ok := h.body >= 1 && h.body <= maxBody && binary.BigEndian.Uint32(b[12:]) == frameHeaderCRC(p, b)
	return h, ok
}

// frameHeaderCRC covers the position and the first 12 bytes.
func frameHeaderCRC(p Position, head []byte) uint32 {
	var text [8 + 12]byte
	copy(text[8:], head[:12])
	p.AppendTo(text[:0])
	return crc32.Checksum(text[:], castagnoli)
}

func segmentName(n uint32) string { return fmt.Sprintf("%010d%s", n, segmentSuffix) }

// segmentNumber is the inverse of segmentName; false for any other file.
func segmentNumber(name string) (uint32, bool) {
	digits, ok := strings.CutSuffix(name, segmentSuffix)
	if !ok || len(digits) != 10 {
		return 0, false
	}
	n, err := strconv.ParseUint(digits, 10, 32)
	return uint32(n), err == nil && n > 0
}
