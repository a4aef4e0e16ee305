package projection

import (
	"encoding/binary"
	"slices"
	"strings"

	"thawtrail/internal/event"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal"
)

// Keys of the index. Every row kind has one letter, so that a scan of a prefix
// never meets another kind.

var (
	cursorKey = []byte("c")
	refoldKey = []byte("r")
	comingKey = []byte("n") // the cursor as it will be, while the rows before it are written down
)

// maxEntity bounds an entity's name in a key, in bytes.
const maxEntity = 512

// entitiesOf lists the entities that a record is folded into. Names that do not
// fit into a key are left out: no program of ours writes them.
func entitiesOf(r *event.Record) []event.Key {
	return slices.DeleteFunc(r.Touches(), func(k event.Key) bool {
		return len(k.Kind)+len(k.ID) > maxEntity || strings.Contains(k.Kind, "\x00") || strings.Contains(k.ID, "\x00")
	})
}

func entityBytes(k event.Key) []byte {
	return appendEntity(make([]byte, 0, len(k.Kind)+1+len(k.ID)), k)
}

func appendEntity(b []byte, k event.Key) []byte {
	b = append(b, k.Kind...)
	b = append(b, 0)
	return append(b, k.ID...)
}

// entityRow is a row's letter and an entity, with room for more bytes behind them.
func entityRow(letter byte, k event.Key, more int) []byte {
	return appendEntity(append(make([]byte, 0, 2+len(k.Kind)+1+len(k.ID)+more), letter, '/'), k)
}

func parseEntity(b []byte) event.Key {
	kind, id, _ := strings.Cut(string(b), "\x00")
	return event.Key{Kind: kind, ID: id}
}

func row(letter byte, parts ...[]byte) []byte {
	n := 2
	for _, p := range parts {
		n += len(p)
	}
	b := make([]byte, 0, n)
	b = append(b, letter, '/')
	for _, p := range parts {
		b = append(b, p...)
	}
	return b
}

func stateKey(k event.Key) []byte   { return entityRow('s', k, 0) }
func termsKey(k event.Key) []byte   { return entityRow('t', k, 0) }
func dirtyKey(k event.Key) []byte   { return entityRow('d', k, 0) }
func uncleanKey(k event.Key) []byte { return entityRow('u', k, 0) }
func logKey(l event.LogID) []byte   { return row('l', l[:]) }
func requestKey(id string) []byte   { return row('q', []byte(id)) }
func againKey(h event.Hash) []byte  { return row('a', h[:]) }
func localKey(name string) []byte   { return row('k', []byte(name)) }

// touchPrefix ends with a zero byte and ids hold none, so that one entity's
// rows are never a prefix of another's.
func touchPrefix(k event.Key) []byte { return append(entityRow('e', k, 1+positionBytes), 0) }

func touchKey(k event.Key, at journal.Position) []byte { return at.AppendTo(touchPrefix(k)) }

func termKey(term string, k event.Key) []byte {
	return row('i', []byte(term), []byte{0}, entityBytes(k))
}

func extentPrefix(l event.LogID) []byte { return row('p', l[:]) }

func extentKey(l event.LogID, seq uint64, at journal.Position) []byte {
	return at.AppendTo(binary.BigEndian.AppendUint64(extentPrefix(l), seq))
}

// extent says where consecutive records of one log lie: from seq on, all in one
// segment, with the first four bytes of each hash so that a person's short hash
// is found without a row for each record.
type extent struct {
	seq     uint64
	segment uint32
	offsets []uint32
	hashes  [][4]byte
}

func (x *extent) at(i int) journal.Position {
	return journal.Position{Segment: x.segment, Offset: x.offsets[i]}
}

func (x *extent) encode() []byte {
	b := binary.BigEndian.AppendUint32(make([]byte, 0, 4+8*len(x.offsets)), x.segment)
	for i, o := range x.offsets {
		b = binary.BigEndian.AppendUint32(b, o)
		b = append(b, x.hashes[i][:]...)
	}
	return b
}

// decodeExtent reads an extent row; ok is false when it is not one.
func decodeExtent(key, value []byte) (x extent, log event.LogID, ok bool) {
	if len(key) != 2+32+16 || len(value) < 4 || (len(value)-4)%8 != 0 {
		return x, log, false
	}
	copy(log[:], key[2:34])
	x.seq = binary.BigEndian.Uint64(key[34:42])
	x.segment = binary.BigEndian.Uint32(value)
	for v := value[4:]; len(v) > 0; v = v[8:] {
		x.offsets = append(x.offsets, binary.BigEndian.Uint32(v))
		x.hashes = append(x.hashes, [4]byte(v[4:8]))
	}
	return x, log, true
}

// positions is a list of journal positions as one value, 8 bytes each.
func encodePositions(ps []journal.Position) []byte {
	b := make([]byte, 0, 8*len(ps))
	for _, p := range ps {
		b = p.AppendTo(b)
	}
	return b
}

func appendPositions(to []journal.Position, value []byte) []journal.Position {
	for ; len(value) >= 8; value = value[8:] {
		if p, err := journal.DecodePosition(value[:8]); err == nil {
			to = append(to, p)
		}
	}
	return to
}

// addPositions adds to a row of positions. A batch that was applied before, with
// priority or before an unclean stop, can have begun at the same record and reached
// further: what it put there must not vanish until the cursor comes to it.
func addPositions(w index.Writer, key []byte, ps []journal.Position) error {
	old, _, err := w.Get(key)
	if err != nil {
		return err
	}
	return w.Set(key, encodePositions(merged(appendPositions(nil, old), ps)))
}
