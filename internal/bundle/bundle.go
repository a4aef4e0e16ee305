package bundle

import (
	"bufio"
	"crypto/cipher"
	"encoding/binary"
	"errors"
	"fmt"
	"io"

	"golang.org/x/crypto/chacha20poly1305"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/exchange"
	pb "thawtrail/proto/thawtrail/v1"
)

const (
	magic    = "ttcarry"
	version  = 1 // of a file that is carried
	backup   = 2 // of a backup: keys may come between its runs
	saltSize = 16
	headSize = len(magic) + 1 + saltSize
	overhead = chacha20poly1305.Overhead

	// MaxPart bounds one sealed part: the largest run, and room for the framing
	// of its records.
	MaxPart = exchange.MaxRunBytes + 64<<10
	// MaxKeys is how many keys of sealed fields one part holds.
	MaxKeys = 500
	maxName = 200
)

// Kinds of parts. Append only.
const (
	kindHead = 1
	kindKeys = 2
	kindRun  = 3
	kindEnd  = 4
)

// Errors of reading a file; people are told these words.
var (
	ErrNotOurs   = errors.New("this is not a file of records")
	ErrNewer     = errors.New("this file of records was written by a newer version of this program")
	ErrWrongCode = errors.New("the code does not open this file: it is another file's code, or the file's beginning is damaged")
	ErrCutOff    = errors.New("the file ends before its end: it was not copied whole")
	ErrDamaged   = errors.New("the file is damaged")
)

// Writer writes one file. Close ends it.
type Writer struct {
	to      io.Writer
	aead    cipher.AEAD
	head    []byte
	parts   uint64
	records int64
}

// NewWriter begins a file with its head.
func NewWriter(to io.Writer, code Code, random io.Reader, head *pb.ParcelHead) (*Writer, error) {
	return begin(to, code, random, head, version)
}

// NewBackup begins a backup with its head.
func NewBackup(to io.Writer, code Code, random io.Reader, head *pb.ParcelHead) (*Writer, error) {
	return begin(to, code, random, head, backup)
}

// GoOn goes on with a backup behind what was read of it. What is written next must be what
// would have come next: a part that was cut off there has spent its nonce.
func GoOn(to io.Writer, code Code, at *pb.BackupMark) (*Writer, error) {
	start := at.GetStart()
	if len(start) != headSize || string(start[:len(magic)]) != magic || start[len(magic)] != backup || at.Parts == 0 {
		return nil, ErrNotOurs
	}
	aead, err := chacha20poly1305.NewX(code.key(start[headSize-saltSize:]))
	if err != nil {
		return nil, err
	}
	return &Writer{to: to, aead: aead, head: start, parts: at.Parts, records: at.Records}, nil
}

func begin(to io.Writer, code Code, random io.Reader, head *pb.ParcelHead, version byte) (*Writer, error) {
	start := append([]byte(magic), version)
	start = append(start, make([]byte, saltSize)...)
	if _, err := io.ReadFull(random, start[headSize-saltSize:]); err != nil {
		return nil, fmt.Errorf("begin a file of records: %w", err)
	}
	return newWriter(to, code.key(start[headSize-saltSize:]), start, head)
}

func newWriter(to io.Writer, key, start []byte, head *pb.ParcelHead) (*Writer, error) {
	aead, err := chacha20poly1305.NewX(key)
	if err != nil {
		return nil, err
	}
	w := &Writer{to: to, aead: aead, head: start}
	if _, err := to.Write(start); err != nil {
		return nil, err
	}
	return w, w.part(kindHead, head)
}

func (w *Writer) part(kind byte, m proto.Message) error {
	clear, err := proto.MarshalOptions{}.MarshalAppend([]byte{kind}, m)
	if err != nil {
		return err
	}
	return w.seal(clear)
}

func (w *Writer) seal(clear []byte) error {
	if len(clear)+overhead > MaxPart {
		return fmt.Errorf("a part of %d bytes does not fit into a file of records", len(clear))
	}
	b := binary.BigEndian.AppendUint32(nil, uint32(len(clear)+overhead))
	b = w.aead.Seal(b, nonce(w.parts), clear, w.head)
	w.parts++
	_, err := w.to.Write(b)
	return err
}

func nonce(part uint64) []byte {
	return binary.BigEndian.AppendUint64(make([]byte, chacha20poly1305.NonceSizeX-8), part)
}

// Keys writes keys of sealed fields, at most MaxKeys at a time.
func (w *Writer) Keys(keys []*pb.FieldKey) error {
	return w.part(kindKeys, &pb.PushRequest{Keys: keys})
}

// Run writes records of one log.
func (w *Writer) Run(run *pb.Run) error {
	w.records += int64(len(run.Records))
	return w.part(kindRun, run)
}

// Records counts what was written so far.
func (w *Writer) Records() int64 { return w.records }

// Close writes the end. It does not close what it writes to.
func (w *Writer) Close() error { return w.CloseAt(0) }

// CloseAt is Close with the moment until which all that was saved is in the file.
func (w *Writer) CloseAt(wallUs int64) error {
	return w.part(kindEnd, &pb.ParcelEnd{Records: w.records, WallUs: wallUs})
}

// Reader reads one file, part by part.
type Reader struct {
	Head *pb.ParcelHead
	// End is the last part, once it was read.
	End *pb.ParcelEnd

	from    *bufio.Reader
	aead    cipher.AEAD
	head    []byte
	parts   uint64
	bytes   int64 // up to the end of the last part that opened
	records int64
	runs    bool // a run was read: no keys may follow in a file that is carried
	err     error
}

// NewReader begins to read: it opens the file's head with the code.
func NewReader(from io.Reader, code Code) (*Reader, error) {
	buffered := bufio.NewReaderSize(from, 64<<10)
	start := make([]byte, headSize)
	if _, err := io.ReadFull(buffered, start); err != nil {
		return nil, beginning(err)
	}
	switch {
	case string(start[:len(magic)]) != magic:
		return nil, ErrNotOurs
	case start[len(magic)] != version && start[len(magic)] != backup:
		return nil, ErrNewer
	}
	return newReader(buffered, code.key(start[headSize-saltSize:]), start)
}

// beginning words the end of a file that has hardly begun.
func beginning(err error) error {
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return ErrNotOurs
	}
	return err
}

func newReader(from *bufio.Reader, key, start []byte) (*Reader, error) {
	aead, err := chacha20poly1305.NewX(key)
	if err != nil {
		return nil, err
	}
	r := &Reader{from: from, aead: aead, head: start, bytes: int64(len(start))}
	kind, body, err := r.part()
	switch {
	case errors.Is(err, ErrDamaged):
		return nil, ErrWrongCode
	case err != nil:
		return nil, err
	case kind != kindHead:
		return nil, fmt.Errorf("%w: it does not begin with its head", ErrDamaged)
	}
	r.Head = &pb.ParcelHead{}
	if proto.Unmarshal(body, r.Head) != nil {
		return nil, fmt.Errorf("%w: its head cannot be read", ErrDamaged)
	}
	return r, checkHead(r.Head)
}

// checkHead bounds what the head says. The logs in it are for people and for the
// search for gaps: no record is taken for what stands there.
func checkHead(h *pb.ParcelHead) error {
	for _, text := range []string{h.Practice, h.PracticeName, h.DeviceName, h.ProgramVersion, h.Case} {
		if len(text) > maxName {
			return fmt.Errorf("%w: a name of %d bytes in its head", ErrDamaged, len(text))
		}
	}
	if len(h.Logs) > exchange.MaxLogs {
		return fmt.Errorf("%w: %d logs in its head", ErrDamaged, len(h.Logs))
	}
	for _, l := range h.Logs {
		if _, err := exchange.HeldFromPB([]*pb.HeldLog{l.GetHeld()}); err != nil || len(l.DeviceName) > maxName {
			return fmt.Errorf("%w: a log in its head cannot be read", ErrDamaged)
		}
	}
	return nil
}

// part reads and opens the next part.
func (r *Reader) part() (kind byte, body []byte, err error) {
	var size [4]byte
	if _, err := io.ReadFull(r.from, size[:]); err != nil {
		return 0, nil, cutOff(err)
	}
	n := binary.BigEndian.Uint32(size[:])
	if n <= overhead || n > MaxPart {
		return 0, nil, fmt.Errorf("%w: a part of %d bytes", ErrDamaged, n)
	}
	sealed := make([]byte, n)
	if _, err := io.ReadFull(r.from, sealed); err != nil {
		return 0, nil, cutOff(err)
	}
	clear, err := r.aead.Open(sealed[:0], nonce(r.parts), sealed, r.head)
	if err != nil {
		return 0, nil, fmt.Errorf("%w at part %d", ErrDamaged, r.parts)
	}
	r.parts++
	r.bytes += int64(len(size)) + int64(n)
	return clear[0], clear[1:], nil
}

func cutOff(err error) error {
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return ErrCutOff
	}
	return err
}

// Next gives the next keys or the next run; the other is nil. io.EOF means that
// the file was read to its end and is whole.
func (r *Reader) Next() (keys []*pb.FieldKey, run *pb.Run, err error) {
	if r.err != nil {
		return nil, nil, r.err
	}
	keys, run, r.err = r.next()
	return keys, run, r.err
}

func (r *Reader) next() ([]*pb.FieldKey, *pb.Run, error) {
	kind, body, err := r.part()
	if err != nil {
		return nil, nil, err
	}
	switch kind {
	case kindKeys:
		m := &pb.PushRequest{}
		if proto.Unmarshal(body, m) != nil || len(m.Keys) > MaxKeys || r.runs && r.head[len(magic)] == version {
			return nil, nil, fmt.Errorf("%w: keys that cannot be read", ErrDamaged)
		}
		return m.Keys, nil, nil
	case kindRun:
		m := &pb.Run{}
		if proto.Unmarshal(body, m) != nil || len(m.Records) == 0 {
			return nil, nil, fmt.Errorf("%w: records that cannot be read", ErrDamaged)
		}
		r.runs = true
		r.records += int64(len(m.Records))
		return nil, m, nil
	case kindEnd:
		return nil, nil, r.end(body)
	}
	return nil, nil, fmt.Errorf("%w: a part of kind %d", ErrDamaged, kind)
}

// end checks that all is there and nothing follows.
func (r *Reader) end(body []byte) error {
	m := &pb.ParcelEnd{}
	if proto.Unmarshal(body, m) != nil || m.Records != r.records {
		return fmt.Errorf("%w: its end does not fit what came before", ErrDamaged)
	}
	if _, err := r.from.ReadByte(); !errors.Is(err, io.EOF) {
		return fmt.Errorf("%w: something follows its end", ErrDamaged)
	}
	r.End = m
	return io.EOF
}

// Mark is where a backup can be gone on with: behind the last part that opened.
func (r *Reader) Mark() *pb.BackupMark {
	return &pb.BackupMark{Start: r.head, Head: r.Head, Parts: r.parts, Records: r.records}
}

// Bytes is where that part ends in the file.
func (r *Reader) Bytes() int64 { return r.bytes }

// Records counts the records read so far.
func (r *Reader) Records() int64 { return r.records }
