package ledger

import (
	"encoding/binary"
	"errors"
	"slices"

	"thawtrail/internal/event"
)

// errPacked says that bytes are no line as this program packs it.
var errPacked = errors.New("not a line of this program")

// packing puts the fields of a line one behind the other, or reads them in that order:
// each line says once, for both ways, which fields it has. Questions over years read the
// lines of every bag and case, so that what a line costs to read is what they take. Texts
// that are read are parts of one string. Fields have no names and no numbers: an index
// with lines of another FoldVersion is built anew.
type packing struct {
	reading bool
	out     []byte // written so far
	in      string // left to read
	bad     bool   // what is left cannot be read: all that follows is empty
}

// pack writes a line by its fields.
func pack(fields func(*packing)) []byte {
	p := packing{out: make([]byte, 0, 256)}
	fields(&p)
	return p.out
}

// unpack reads a line by its fields. Bytes behind them are none of it.
func unpack(in string, fields func(*packing)) error {
	p := packing{reading: true, in: in}
	fields(&p)
	if p.bad || p.in != "" {
		return errPacked
	}
	return nil
}

// fail gives up what is left.
func (p *packing) fail() { p.in, p.bad = "", true }

// count is a number that is not negative.
func (p *packing) count(n uint64) uint64 {
	if !p.reading {
		p.out = binary.AppendUvarint(p.out, n)
		return n
	}
	n = 0
	for i := 0; i < len(p.in) && i < binary.MaxVarintLen64; i++ {
		c := p.in[i]
		n |= uint64(c&0x7f) << (7 * i)
		if c < 0x80 {
			p.in = p.in[i+1:]
			return n
		}
	}
	p.fail()
	return 0
}

// number is a whole number of any sign.
func number[N ~int32 | ~int64](p *packing, n *N) {
	v := int64(*n)
	u := p.count(uint64(v)<<1 ^ uint64(v>>63)) // small ones of either sign are short
	if p.reading {
		*n = N(int64(u>>1) ^ -int64(u&1))
	}
}

func (p *packing) text(s *string) {
	n := p.count(uint64(len(*s)))
	switch {
	case !p.reading:
		p.out = append(p.out, *s...)
	case n > uint64(len(p.in)):
		p.fail()
	default:
		*s, p.in = p.in[:n], p.in[n:]
	}
}

// rest is a text to the end of the line.
func (p *packing) rest(s *string) {
	if p.reading {
		*s, p.in = p.in, ""
		return
	}
	p.out = append(p.out, *s...)
}

func (p *packing) flag(b *bool) {
	n := uint64(0)
	if *b {
		n = 1
	}
	*b = p.count(n) != 0
}

func (p *packing) hash(h *event.Hash) {
	switch {
	case !p.reading:
		p.out = append(p.out, h[:]...)
	case len(p.in) < len(h):
		p.fail()
	default:
		p.in = p.in[copy(h[:], p.in):]
	}
}

// maybe is what may be absent.
func maybe[T any](p *packing, v **T, fields func(*packing, *T)) {
	there := *v != nil
	p.flag(&there)
	switch {
	case there && p.reading:
		*v = new(T)
	case !there:
		*v = nil
		return
	}
	fields(p, *v)
}

// part is what may be absent, with its length before it, so that it can be compared with
// others without being read.
func part[T any](p *packing, v **T, fields func(*T, *packing)) {
	packed := ""
	if !p.reading && *v != nil {
		packed = string(pack(func(q *packing) { fields(*v, q) }))
	}
	p.text(&packed)
	if !p.reading {
		return
	}
	if *v = nil; packed != "" {
		*v = new(T)
		p.bad = p.bad || unpack(packed, func(q *packing) { fields(*v, q) }) != nil
	}
}

// several are of one kind. Each has a byte at least: there are no more than bytes left,
// whatever the number before them says. Those that were read before make room for them.
func several[T any](p *packing, v *[]T, fields func(*packing, *T)) {
	n := p.count(uint64(len(*v)))
	if p.reading {
		if n > uint64(len(p.in)) {
			p.fail()
			return
		}
		*v = slices.Grow((*v)[:0], int(n))[:n]
	}
	for i := range *v {
		fields(p, &(*v)[i])
	}
}
