// Package proof shows one record of a practice to somebody who sees nothing else
// of it: an insurer, a court, another vet.
//
// A proof says: the device with this key wrote exactly these bytes; they stand at
// this place of its log; and the practice's server, with that key, stated at that
// moment that it held the log this far. So the record was not made later than the
// statement, and not changed since.
//
//	record  <-prev-  header  <-prev-  …  header     (hash chain of the log)
//	                                       ^
//	                        tip in a statement, signed by the server
//
// It does not say that what the record tells is true, nor who holds the two keys:
// compare the fingerprints with those that the practice gives. Headers of later
// records show when and about which entity something was written, not what.
//
// There is no I/O here.
package proof

import (
	"bytes"
	"crypto/ed25519"
	"errors"
	"fmt"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	pb "thawtrail/proto/thawtrail/v1"
)

// Magic begins a proof's file; the serialized Proof follows. ManyMagic begins a file of
// many proofs; the serialized ProofFile follows.
const (
	Magic     = "thawtrail proof 1\n"
	ManyMagic = "thawtrail proofs 1\n"
)

// Bounds of a stranger's file.
const (
	MaxBytes = 64 << 20
	maxLinks = 200_000
)

// ErrInvalid: the file proves nothing. The error says at which step.
var ErrInvalid = errors.New("this proves nothing")

// Shown is what a proof that holds shows.
type Shown struct {
	Record      *event.Record
	Device      []byte // id of the device that wrote it
	DeviceName  string
	Server      []byte // id of the device that made the statement
	Statement   exchange.Statement
	StatementAt exchange.LogTip // the statement's record
}

// Encode writes a proof's file.
func Encode(p *pb.Proof) ([]byte, error) {
	raw, err := proto.Marshal(p)
	return append([]byte(Magic), raw...), err
}

// Decode reads a proof's file. It does not check what is in it.
func Decode(file []byte) (*pb.Proof, error) {
	raw, ok := bytes.CutPrefix(file, []byte(Magic))
	p := &pb.Proof{}
	if !ok || len(file) > MaxBytes || proto.Unmarshal(raw, p) != nil {
		return nil, fmt.Errorf("%w: not a proof of this program", ErrInvalid)
	}
	return p, nil
}

// EncodeMany writes a file of many proofs.
func EncodeMany(f *pb.ProofFile) ([]byte, error) {
	raw, err := proto.Marshal(f)
	if err == nil && len(ManyMagic)+len(raw) > MaxBytes {
		err = fmt.Errorf("the proofs come to %d MB, more than the %d MB that a file may have: ask for less", len(raw)>>20, MaxBytes>>20)
	}
	return append([]byte(ManyMagic), raw...), err
}

// DecodeMany reads a file of many proofs, or of one. It does not check what is in it.
func DecodeMany(file []byte) (*pb.ProofFile, error) {
	raw, many := bytes.CutPrefix(file, []byte(ManyMagic))
	if !many {
		one, err := Decode(file)
		return &pb.ProofFile{Proofs: []*pb.Proof{one}}, err
	}
	f := &pb.ProofFile{}
	if len(file) > MaxBytes || proto.Unmarshal(raw, f) != nil || len(f.Proofs) == 0 {
		return nil, fmt.Errorf("%w: not a file of proofs of this program", ErrInvalid)
	}
	return f, nil
}

// Verify checks every step. It trusts nothing but the arithmetic.
func Verify(p *pb.Proof) (Shown, error) {
	shown, err := open(p.GetShown(), "record")
	if err != nil {
		return Shown{}, err
	}
	at, err := open(p.GetStatement(), "statement")
	if err != nil {
		return Shown{}, err
	}
	out := Shown{
		Record: shown.rec, Device: event.DeviceID(shown.opened.PublicKey), DeviceName: shown.opened.DeviceName,
		Server: event.DeviceID(at.opened.PublicKey), StatementAt: exchange.LogTip{Log: at.rec.Log, Tip: at.tip(0)},
	}
	out.Statement, err = at.names(shown)
	return out, err
}

func invalid(format string, args ...any) error {
	return fmt.Errorf("%w: %s", ErrInvalid, fmt.Sprintf(format, args...))
}

// piece is a record whose chain to a signature holds.
type piece struct {
	rec    *event.Record
	opened *pb.LogOpened
	hashes []event.Hash // of the record and of those after it, one by one
}

// tip is the place of the n-th record of the chain.
func (c *piece) tip(n int) exchange.Tip {
	return exchange.Tip{Seq: c.rec.Seq() + uint64(n), Hash: c.hashes[n]}
}

// open reads a record and the opening of its log, whose hash is the log's id and
// which names the key, and follows the chain to the signature.
func open(m *pb.ProofPiece, what string) (*piece, error) {
	rec, err := event.DecodeStrict(m.GetRecord())
	if err != nil {
		return nil, invalid("the %s: %v", what, err)
	}
	first, err := event.DecodeStrict(m.GetOpening())
	if err != nil {
		return nil, invalid("the opening of the %s's log: %v", what, err)
	}
	payload, err := first.Payload()
	opened, ok := payload.(*pb.LogOpened)
	if err != nil || !ok || first.Seq() != 0 || first.Hash != rec.Log || len(opened.PublicKey) != ed25519.PublicKeySize {
		return nil, invalid("the %s does not belong to the log whose opening is shown", what)
	}
	c := &piece{rec: rec, opened: opened, hashes: []event.Hash{rec.Hash}}
	if err := c.follow(m.GetLinks()); err != nil {
		return nil, err
	}
	last := rec.Raw.Header
	if n := len(m.GetLinks()); n > 0 {
		last = m.Links[n-1]
	}
	signed := event.Record{Raw: &pb.Record{Header: last, Signature: m.GetSignature()}, Head: rec.Head, Log: rec.Log}
	if signed.Verify(opened.PublicKey) != nil {
		return nil, invalid("the end of the %s's chain is not signed by its device", what)
	}
	return c, nil
}

// follow walks the chain of headers.
func (c *piece) follow(links [][]byte) error {
	if len(links) > maxLinks {
		return invalid("%d links are more than %d", len(links), maxLinks)
	}
	for _, header := range links {
		h, end := &pb.Header{}, c.tip(len(c.hashes)-1)
		if len(header) > event.MaxHeaderBytes || proto.Unmarshal(header, h) != nil {
			return invalid("the link after seq %d is no header", end.Seq)
		}
		if h.Seq != end.Seq+1 || !bytes.Equal(h.Prev, end.Hash[:]) || !bytes.Equal(h.Log, c.rec.Log[:]) {
			return invalid("the chain is broken after seq %d", end.Seq)
		}
		c.hashes = append(c.hashes, event.HashOf(header))
	}
	return nil
}

// names reads the statement and finds a record of the shown one's chain in it.
func (c *piece) names(shown *piece) (exchange.Statement, error) {
	payload, err := c.rec.Payload()
	m, ok := payload.(*pb.HubStatement)
	if err != nil || !ok {
		return exchange.Statement{}, invalid("what should be a statement is a %T", payload)
	}
	s, err := exchange.StatementFromPB(m)
	if err != nil {
		return s, invalid("the statement: %v", err)
	}
	for _, a := range s.Accepted {
		n := a.Seq - shown.rec.Seq() // past the end, also when it is lower
		if a.Log == shown.rec.Log && n < uint64(len(shown.hashes)) && a.Tip == shown.tip(int(n)) {
			return s, nil
		}
	}
	return s, invalid("the statement names no record of the chain")
}
