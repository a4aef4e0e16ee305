package event

import (
	"bytes"
	"cmp"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"maps"
	"slices"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	pb "thawtrail/proto/thawtrail/v1"
)

// Limits of one record. A decoder refuses what is larger before it looks inside.
const (
	MaxHeaderBytes  = 64 << 10
	MaxPayloadBytes = 256 << 10
	MaxRecordBytes  = MaxHeaderBytes + MaxPayloadBytes + 1<<10
	// Format is the newest layout of the header that this program writes.
	Format = 1
)

const (
	hashContext = "thawtrail record 1\x00"
	signContext = "thawtrail signature 1\x00"
)

// Hash identifies a record: SHA-256 over its header under a context string.
type Hash [sha256.Size]byte

// LogID is the hash of a log's opening record.
type LogID = Hash

// String is the hash in hex.
func (h Hash) String() string { return hex.EncodeToString(h[:]) }

// MarshalBinary gives the hash's own bytes; states hold many hashes, and an encoder
// that looks at each byte by reflection, or that is given a copy, takes long.
func (h *Hash) MarshalBinary() ([]byte, error) { return h[:], nil }

// UnmarshalBinary takes exactly 32 bytes.
func (h *Hash) UnmarshalBinary(b []byte) error {
	if len(b) != len(h) {
		return fmt.Errorf("%w: a hash of %d bytes", ErrMalformed, len(b))
	}
	copy(h[:], b)
	return nil
}

// Short is the first eight hex digits, for people.
func (h Hash) Short() string { return hex.EncodeToString(h[:4]) }

// IsZero says that there is no hash.
func (h Hash) IsZero() bool { return h == Hash{} }

// Compare orders hashes by their bytes.
func (h Hash) Compare(o Hash) int { return bytes.Compare(h[:], o[:]) }

// SortedLogs lists the logs of a map in the order of their ids.
func SortedLogs[V any](m map[LogID]V) []LogID { return slices.SortedFunc(maps.Keys(m), Hash.Compare) }

// ToHash reads a hash from bytes; ok is false unless there are exactly 32.
func ToHash(b []byte) (h Hash, ok bool) {
	if len(b) != len(h) {
		return h, false
	}
	copy(h[:], b)
	return h, true
}

// ParseHash reads a hash from hex.
func ParseHash(s string) (Hash, bool) {
	b, err := hex.DecodeString(s)
	if err != nil {
		return Hash{}, false
	}
	return ToHash(b)
}

// Record is one decoded record beside the bytes it was decoded from.
type Record struct {
	Raw  *pb.Record // header, payload and signature exactly as signed
	Head *pb.Header // decoded from Raw.Header; never marshalled again
	Hash Hash
	Log  LogID // the record's own hash when it opens the log

	wire    []byte  // what Raw was taken from, when it lies in there
	trimmed bool    // a text in the header is longer than any that our programs write
	carried *Record // the record that it carries, when it was saved again
}

// Errors of decoding and verifying. They wrap into longer sentences.
var (
	ErrMalformed = errors.New("not a record")
	ErrTooLarge  = errors.New("record too large")
	ErrNewer     = errors.New("record of a newer layout than this program knows")
	ErrPayload   = errors.New("payload does not match its header")
	ErrSignature = errors.New("signature does not fit the log's key")
	ErrChain     = errors.New("record does not follow the one before")
)

// Decode reads a record from its wire bytes (message Record). The record keeps
// the bytes, which must not be changed.
func Decode(wire []byte) (*Record, error) {
	r, err := DecodeStrict(wire)
	if !errors.Is(err, errForm) {
		return r, err
	}
	raw := &pb.Record{}
	if err := proto.Unmarshal(wire, raw); err != nil {
		return nil, fmt.Errorf("%w: %v", ErrMalformed, err)
	}
	return Open(raw)
}

// errForm says that bytes are not in the form in which records are written.
var errForm = fmt.Errorf("%w: expected header, payload and signature in this order, and nothing else", ErrMalformed)

// DecodeStrict is Decode for bytes of other devices: header, payload and
// signature, in this order, in the one form in which they are written, and
// nothing else. What another field would hold, nobody signed.
func DecodeStrict(wire []byte) (*Record, error) {
	if len(wire) > MaxRecordBytes {
		return nil, fmt.Errorf("%w: %d bytes", ErrTooLarge, len(wire))
	}
	b := &block{}
	if !b.plainRecord(wire) {
		return nil, errForm
	}
	if n := len(b.raw.Signature); n != 0 && n != ed25519.SignatureSize {
		return nil, errForm
	}
	b.rec.wire = wire
	return b.open(&b.raw)
}

// Open decodes the header of a record, checks its limits and form, and that the
// payload is the one it names. It does not check chain or signature.
func Open(raw *pb.Record) (*Record, error) {
	return (&block{}).open(raw)
}

func (b *block) open(raw *pb.Record) (*Record, error) {
	r, err := b.openAlone(raw)
	if err == nil && r.Head.Type == TypeSavedAgain {
		r.carried = r.carries()
	}
	return r, err
}

// openAlone is open without a look at what the record carries.
func (b *block) openAlone(raw *pb.Record) (*Record, error) {
	if len(raw.GetHeader()) == 0 {
		return nil, fmt.Errorf("%w: no header", ErrMalformed)
	}
	if len(raw.Header) > MaxHeaderBytes || len(raw.Payload) > MaxPayloadBytes {
		return nil, fmt.Errorf("%w: header %d, payload %d bytes", ErrTooLarge, len(raw.Header), len(raw.Payload))
	}
	head := &b.head
	if !b.plainHeader(raw.Header) {
		head = &pb.Header{}
		if err := proto.Unmarshal(raw.Header, head); err != nil {
			return nil, fmt.Errorf("%w: %v", ErrMalformed, err)
		}
	}
	r := &b.rec
	r.Raw, r.Head, r.Hash, r.trimmed = raw, head, HashOf(raw.Header), trim(head)
	if err := r.form(); err != nil {
		return nil, err
	}
	if sum := sha256.Sum256(raw.Payload); !bytes.Equal(sum[:], head.PayloadHash) {
		return nil, ErrPayload
	}
	return r, nil
}

// form checks what every header must have, and sets Log.
func (r *Record) form() error {
	h := r.Head
	if h.Format == 0 || h.Format > Format {
		return fmt.Errorf("%w: layout %d", ErrNewer, h.Format)
	}
	if h.Type == 0 || len(h.PayloadHash) != sha256.Size {
		return fmt.Errorf("%w: type %d", ErrMalformed, h.Type)
	}
	if h.Seq == 0 {
		if len(h.Log) != 0 || len(h.Prev) != 0 || h.Type != TypeLogOpened {
			return fmt.Errorf("%w: seq 0 must open a log", ErrMalformed)
		}
		r.Log = r.Hash
		return nil
	}
	var ok bool
	if r.Log, ok = ToHash(h.Log); !ok || len(h.Prev) != sha256.Size || h.Type == TypeLogOpened {
		return fmt.Errorf("%w: seq %d without log or previous hash", ErrMalformed, h.Seq)
	}
	return nil
}

// HashOf is the hash of a serialized header.
func HashOf(header []byte) Hash {
	var space [512]byte // more than most headers take
	text := append(space[:0], hashContext...)
	return sha256.Sum256(append(text, header...))
}

// Wire is the record as one byte string (message Record). It must not be changed.
func (r *Record) Wire() []byte {
	if n := len(r.wire); n > 0 && r.wireSize() == n && &r.Raw.Header[len(r.Raw.Header)-1] == &r.wire[r.headerEnd()-1] {
		return r.wire
	}
	b, err := proto.MarshalOptions{Deterministic: true}.Marshal(r.Raw)
	if err != nil {
		panic("event: three byte strings did not marshal: " + err.Error())
	}
	return b
}

// DropSignature takes off a signature that nobody verified.
func (r *Record) DropSignature() {
	r.Raw.Signature = nil
	if n := r.wireSize(); n <= len(r.wire) {
		r.wire = r.wire[:n:n]
	}
}

// headerEnd is where the header ends in Wire.
func (r *Record) headerEnd() int { return 1 + protowire.SizeBytes(len(r.Raw.Header)) }

// wireSize is the number of bytes of Wire.
func (r *Record) wireSize() int {
	n := r.headerEnd()
	for _, part := range [][]byte{r.Raw.Payload, r.Raw.Signature} {
		if len(part) > 0 {
			n += 1 + protowire.SizeBytes(len(part))
		}
	}
	return n
}

// Size is about the number of bytes of Wire.
func (r *Record) Size() int { return sizeOfParts(r.Raw.Header, r.Raw.Payload, r.Raw.Signature) }

func sizeOfParts(header, payload, signature []byte) int {
	return len(header) + len(payload) + len(signature) + 12
}

// Seq is the position in the log.
func (r *Record) Seq() uint64 { return r.Head.Seq }

// Signed says that the record carries a signature of its own.
func (r *Record) Signed() bool { return len(r.Raw.Signature) != 0 }

// Verify checks the record's own signature.
func (r *Record) Verify(key ed25519.PublicKey) error {
	if len(key) != ed25519.PublicKeySize || !ed25519.Verify(key, signed(r.Raw.Header), r.Raw.Signature) {
		return fmt.Errorf("%w: log %s, seq %d", ErrSignature, r.Log.Short(), r.Head.Seq)
	}
	return nil
}

func signed(header []byte) []byte {
	return append([]byte(signContext), header...)
}

// Follows checks that r is the next record of the log whose tip is given.
func (r *Record) Follows(seq uint64, hash Hash) error {
	if r.Head.Seq != seq+1 || !bytes.Equal(r.Head.Prev, hash[:]) {
		return fmt.Errorf("%w: log %s, seq %d after %d", ErrChain, r.Log.Short(), r.Head.Seq, seq)
	}
	return nil
}

// Seal turns a finished header and payload into a record. sign may be nil for a
// record inside a run that a later signature vouches for.
func Seal(head *pb.Header, payload []byte, sign func(message []byte) []byte) (*Record, error) {
	sum := sha256.Sum256(payload)
	head.PayloadHash = sum[:]
	head.Format = Format
	header, err := proto.MarshalOptions{Deterministic: true}.Marshal(head)
	if err != nil {
		return nil, fmt.Errorf("seal record: %w", err)
	}
	raw := &pb.Record{Header: header, Payload: payload}
	if sign != nil {
		raw.Signature = sign(signed(header))
	}
	return Open(raw)
}

// CompareWritten is the written order: it decides which statement stands.
func CompareWritten(a, b *Record) int {
	return cmp.Or(
		cmp.Compare(a.Head.HlcUs, b.Head.HlcUs),
		a.Log.Compare(b.Log),
		cmp.Compare(a.Head.Seq, b.Head.Seq),
		a.Hash.Compare(b.Hash),
	)
}

// OccurredMs is when the fact happened, as told; the wall clock when not told.
func (r *Record) OccurredMs() int64 {
	if m := r.Head.OccurredAt; m != nil && m.UnixMs != 0 {
		return m.UnixMs
	}
	return r.Head.WallUs / 1000
}
