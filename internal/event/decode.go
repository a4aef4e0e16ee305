package event

import (
	"unicode/utf8"

	"google.golang.org/protobuf/encoding/protowire"

	pb "thawtrail/proto/thawtrail/v1"
)

// The header is decoded for every record that comes, goes or is folded, so the
// form in which this program writes it has a decoder of its own: one block of
// memory a record, and no reflection. Whatever is not in that form, bytes of a
// newer version included, goes to the general decoder; both give the same.

// block is what one record needs, in one piece.
type block struct {
	rec    Record
	raw    pb.Record
	head   pb.Header
	offset pb.ClockOffset
	moment pb.Moment
	proof  pb.AuthorProof
	keys   [3]pb.EntityKey
	list   [3]*pb.EntityKey
}

// fields walks over the fields of a message in rising order.
type fields struct {
	rest []byte
	num  protowire.Number
	kind protowire.Type
	ok   bool // so far as written by this program
}

// next steps to the next field. A list repeats its number.
func (f *fields) next() bool {
	if !f.ok || len(f.rest) == 0 {
		return false
	}
	num, kind, n := protowire.ConsumeTag(f.rest)
	if n < 0 || num < f.num {
		f.ok = false
		return false
	}
	f.num, f.kind, f.rest = num, kind, f.rest[n:]
	return true
}

func (f *fields) varint() uint64 {
	v, n := protowire.ConsumeVarint(f.rest)
	if f.kind != protowire.VarintType || n < 0 {
		f.ok = false
		return 0
	}
	f.rest = f.rest[n:]
	return v
}

func (f *fields) bytes() []byte {
	v, n := protowire.ConsumeBytes(f.rest)
	if f.kind != protowire.BytesType || n < 0 {
		f.ok = false
		return nil
	}
	f.rest = f.rest[n:]
	return v[:len(v):len(v)]
}

func (f *fields) text() string {
	b := f.bytes()
	f.ok = f.ok && utf8.Valid(b)
	return string(b)
}

// skip passes over a field.
func (f *fields) skip() {
	n := protowire.ConsumeFieldValue(f.num, f.kind, f.rest)
	if n < 0 {
		f.ok = false
		return
	}
	f.rest = f.rest[n:]
}

// part begins a message inside this one.
func (f *fields) part() fields { return fields{rest: f.bytes(), ok: f.ok} }

// done ends a message inside this one.
func (f *fields) done(p fields) { f.ok = f.ok && p.ok }

// lists are the fields of a header that may come again.
const lists = 1<<10 | 1<<11 | 1<<14

// plainHeader decodes a header in the form in which this program writes it. The
// bytes fields lie in the header's own bytes.
func (b *block) plainHeader(header []byte) bool {
	f := fields{rest: header, ok: true}
	var seen uint32
	for f.next() {
		if f.num > 25 || seen&^lists>>f.num&1 != 0 {
			return false
		}
		seen |= 1 << f.num
		if f.num <= 12 {
			b.placed(&f)
		} else {
			b.told(&f)
		}
	}
	return f.ok
}

// placed decodes what says where the record stands, and what it touches.
func (b *block) placed(f *fields) {
	h := &b.head
	switch f.num {
	case 1:
		h.Format = uint32(f.varint())
	case 2:
		h.Log = f.bytes()
	case 3:
		h.Seq = f.varint()
	case 4:
		h.Prev = f.bytes()
	case 5:
		h.HlcUs = int64(f.varint())
	case 6:
		h.WallUs = int64(f.varint())
	case 7:
		h.Boot = f.bytes()
	case 8:
		h.MonotonicUs = int64(f.varint())
	case 9:
		h.Offset = f.offset(&b.offset)
	case 10:
		h.Seen = append(h.Seen, f.tip())
	case 11:
		f.entity(b)
	case 12:
		h.Type = uint32(f.varint())
	}
}

// told decodes what the author said. Overrides are rare and left to the general
// decoder.
func (b *block) told(f *fields) {
	h := &b.head
	switch f.num {
	case 13:
		h.Critical = f.varint() != 0
	case 14:
		h.References = append(h.References, f.bytes())
	case 15:
		h.Grant = f.bytes()
	case 16:
		h.RequestId = f.text()
	case 17:
		h.ProgramVersion = f.text()
	case 18:
		h.EngineVersion = f.text()
	case 19:
		h.OccurredAt = f.moment(&b.moment)
	case 20:
		h.Author = f.text()
	case 21:
		h.AuthorProof = f.proof(&b.proof)
	case 23:
		h.PayloadHash = f.bytes()
	case 24:
		h.HubUs = int64(f.varint())
	case 25:
		h.Device = f.bytes()
	default:
		f.ok = false
	}
}

func (f *fields) offset(o *pb.ClockOffset) *pb.ClockOffset {
	p := f.part()
	for p.next() {
		switch p.num {
		case 1:
			o.OffsetUs = int64(p.varint())
		case 2:
			o.BoundUs = int64(p.varint())
		case 3:
			o.MeasuredUs = int64(p.varint())
		default:
			p.ok = false
		}
	}
	f.done(p)
	return o
}

func (f *fields) tip() *pb.Tip {
	t := &pb.Tip{}
	p := f.part()
	for p.next() {
		switch p.num {
		case 1:
			t.Log = p.bytes()
		case 2:
			t.Seq = p.varint()
		case 3:
			t.Hash = p.bytes()
		default:
			p.ok = false
		}
	}
	f.done(p)
	return t
}

// kindNames are the kinds that many headers name, so that none is copied.
var kindNames = map[string]string{
	KindBag: KindBag, KindBatch: KindBatch, KindCase: KindCase, KindDam: KindDam, KindKit: KindKit, KindTemperature: KindTemperature,
}

func (f *fields) entity(b *block) {
	n := len(b.head.Entities)
	var k *pb.EntityKey
	if n < len(b.keys) {
		k, b.list[n] = &b.keys[n], &b.keys[n]
		b.head.Entities = b.list[: n+1 : n+1]
	} else {
		k = &pb.EntityKey{}
		b.head.Entities = append(b.head.Entities, k)
	}
	p := f.part()
	for p.next() {
		switch p.num {
		case 1:
			text := p.bytes()
			name, ok := kindNames[string(text)]
			if !ok {
				name, p.ok = string(text), p.ok && utf8.Valid(text)
			}
			k.Kind = name
		case 2:
			k.Id = p.text()
		default:
			p.ok = false
		}
	}
	f.done(p)
}

func (f *fields) moment(m *pb.Moment) *pb.Moment {
	p := f.part()
	for p.next() {
		switch p.num {
		case 1:
			m.UnixMs = int64(p.varint())
		case 2:
			m.Zone = p.text()
		case 3:
			m.Precision = pb.Precision(p.varint())
		case 4:
			m.Source = pb.TimeSource(p.varint())
		case 5:
			v := int32(protowire.DecodeZigZag(p.varint() & 0xffffffff))
			m.UtcOffsetMin = &v
		default:
			p.ok = false
		}
	}
	f.done(p)
	return m
}

func (f *fields) proof(a *pb.AuthorProof) *pb.AuthorProof {
	p := f.part()
	for p.next() {
		switch p.num {
		case 1:
			a.Kind = pb.ProofKind(p.varint())
		case 2:
			a.ProvenUs = int64(p.varint())
		case 3:
			a.OrderedAt = p.bytes()
		default:
			p.ok = false
		}
	}
	f.done(p)
	return a
}

// plainRecord takes a record apart without copying.
func (b *block) plainRecord(wire []byte) bool {
	parts, ok := plainParts(wire)
	b.raw.Header, b.raw.Payload, b.raw.Signature = parts[1], parts[2], parts[3]
	return ok
}

// plainParts are header, payload and signature, at their numbers, when they stand in
// this order and in the one form in which they are written.
func plainParts(wire []byte) (parts [4][]byte, ok bool) {
	rest, last := wire, protowire.Number(0)
	for len(rest) > 0 {
		num, kind, n := protowire.ConsumeTag(rest)
		if n != 1 || kind != protowire.BytesType || num <= last || int(num) >= len(parts) {
			return parts, false
		}
		body, m := protowire.ConsumeBytes(rest[n:])
		if m < 0 || m != protowire.SizeBytes(len(body)) || len(body) == 0 {
			return parts, false
		}
		parts[num], last = body[:len(body):len(body)], num
		rest = rest[n+m:]
	}
	return parts, true
}
