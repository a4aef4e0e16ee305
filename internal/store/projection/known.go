package projection

import (
	"cmp"
	"errors"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store/journal"
)

// A record touches several entities, and an entity is touched by the next batch again.
// What folds need of a record is worked out once for all of them.

// known is a record as folds take it. It is read by several at once and not changed.
type known struct {
	rec      *event.Record
	payload  proto.Message // nil when it cannot be read, or was not yet
	flaw     ledger.Flaw   // of payload; FlawUnasked: it was not read yet
	rights   *ledger.Rights
	standing ledger.Standing // by rights
}

// knownRecords are those of one batch, by where they lie.
type knownRecords map[journal.Position]*known

// learn works out what folds need of the records of the batch. The rights are folded.
func (a *application) learn() {
	a.p.inParallel(len(a.recs), func(i int) {
		r := a.known[a.recs[i].pos]
		if r.flaw == ledger.FlawUnasked {
			r.say()
		}
		r.rights, r.standing = a.rights, a.rights.Standing(r.rec)
	})
}

// say works out what the record says.
func (r *known) say() {
	r.payload, _ = r.rec.Payload() // what cannot be read is nil and folded as such
	r.flaw = ledger.FlawOf(r.rec, r.payload)
}

// standingBy is what rights say of the record.
func (r *known) standingBy(rights *ledger.Rights) ledger.Standing {
	if r.rights == rights && rights != nil {
		return r.standing
	}
	return rights.Standing(r.rec)
}

// fetch is the record at a position, from memory when it is one of this batch or was
// read a while ago: of a delivery, each bag is used on another night. What it says is
// read here, once for all entities that rest on it.
func (a *application) fetch(p journal.Position) (*known, error) {
	if r := a.remembered(p); r != nil {
		return r, nil
	}
	r, err := a.p.RecordAt(p)
	k := &known{rec: r}
	if err == nil {
		k.say()
	}
	a.beside.Lock()
	defer a.beside.Unlock()
	if errors.Is(err, journal.ErrDamaged) {
		a.unread = append(a.unread, p)
	}
	if err != nil {
		return nil, err
	}
	a.fetched.add(p, k)
	return k, nil
}

// remembered is the record at a position if it is in memory; nil when it is not.
func (a *application) remembered(p journal.Position) *known {
	if r, ok := a.known[p]; ok {
		return r
	}
	for _, records := range []*readRecords{&a.p.read, &a.p.rests} {
		if r := records.find(p); r != nil {
			return r
		}
	}
	a.beside.Lock()
	defer a.beside.Unlock()
	return a.fetched.find(p)
}

// readRecords are records that were read lately. They are forgotten in two steps: when
// the young ones are many they become the old ones, and the old ones are gone.
type readRecords struct {
	most       int // of the young ones; 0: maxYoung, and maxYoungBytes
	mostBytes  int
	young, old knownRecords
	bytes      int // of the young ones, as they came
}

// maxYoung is how many records are young, and maxYoungBytes how many bytes.
const (
	maxYoung      = 4096
	maxYoungBytes = 4 << 20
)

// Of the records on which the state of logs rests: a statement of the server names many
// logs, and each of them is folded anew from its statements when the next one comes.
// They are remembered beyond the end of the journal, so they are few.
const (
	maxRests      = 512
	maxRestsBytes = 256 << 10
)

// What a case that is being written rests on stays in memory at the end of the journal:
// each of its entries would read all those before it.
const (
	maxFew      = 256
	maxFewBytes = 64 << 10
)

// few is what was read when that is little, and nothing otherwise.
func (r readRecords) few() readRecords {
	if len(r.old) > 0 || len(r.young) > maxFew || r.bytes > maxFewBytes {
		return readRecords{}
	}
	return r
}

// forget drops all of them.
func (r *readRecords) forget() { r.young, r.old, r.bytes = nil, nil, 0 }

// Doubt says that the journal holds damage: what is remembered of it may not be there any
// more, and is read again.
func (p *Projection) Doubt() { p.doubted.Store(true) }

// add remembers a record.
func (r *readRecords) add(p journal.Position, k *known) {
	if _, ok := r.young[p]; ok {
		return
	}
	size := k.rec.Size()
	if len(r.young) == cmp.Or(r.most, maxYoung) || r.bytes+size > cmp.Or(r.mostBytes, maxYoungBytes) {
		r.old, r.young, r.bytes = r.young, nil, 0
	}
	if r.young == nil {
		r.young = knownRecords{}
	}
	r.young[p] = k
	r.bytes += size
}

// addAlone remembers a record and none of those that came with it.
func (r *readRecords) addAlone(p journal.Position, k *known) {
	if _, ok := r.young[p]; !ok {
		alone := *k
		r.add(p, &alone)
	}
}

// find is the record at a position; nil when it is not remembered.
func (r *readRecords) find(p journal.Position) *known {
	if k, ok := r.young[p]; ok {
		return k
	}
	return r.old[p]
}

// addAll remembers records.
func (r *readRecords) addAll(records knownRecords) {
	for p, k := range records {
		r.add(p, k)
	}
}

// record reads one record. What cannot be read the index is built without: that is
// noted as damage that was passed over.
func (a *application) record(p journal.Position) (*event.Record, error) {
	r, err := a.fetch(p)
	if err != nil {
		return nil, err
	}
	return r.rec, nil
}
