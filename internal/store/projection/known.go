package projection

import (
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
	rights   *ledger.Rights
	standing ledger.Standing // by rights
}

// knownRecords are those of one batch, by where they lie.
type knownRecords map[journal.Position]*known

// learn works out what folds need of the records of the batch. The rights are folded.
func (a *application) learn() {
	inParallel(len(a.recs), func(i int) {
		r := a.known[a.recs[i].pos]
		if r.payload == nil {
			r.payload, _ = r.rec.Payload() // what cannot be read is nil and folded as such
		}
		r.rights, r.standing = a.rights, a.rights.Standing(r.rec)
	})
}

// standingBy is what rights say of the record.
func (r *known) standingBy(rights *ledger.Rights) ledger.Standing {
	if r.rights == rights && rights != nil {
		return r.standing
	}
	return rights.Standing(r.rec)
}

// fetch is the record at a position, from memory when it is one of this batch or was
// read a while ago: of a delivery, each bag is used on another night.
func (a *application) fetch(p journal.Position) (*known, error) {
	for _, records := range []knownRecords{a.known, a.p.read.young, a.p.read.old} {
		if r, ok := records[p]; ok {
			return r, nil
		}
	}
	r, err := a.p.RecordAt(p)
	a.beside.Lock()
	defer a.beside.Unlock()
	if errors.Is(err, journal.ErrDamaged) {
		a.unread = append(a.unread, p)
	}
	if err != nil {
		return nil, err
	}
	k := &known{rec: r}
	a.fetched.add(p, k)
	return k, nil
}

// readRecords are records that were read lately. They are forgotten in two steps: when
// the young ones are many they become the old ones, and the old ones are gone.
type readRecords struct {
	young, old knownRecords
	bytes      int // of the young ones, as they came
}

// maxYoung is how many records are young, and maxYoungBytes how many bytes.
const (
	maxYoung      = 4096
	maxYoungBytes = 4 << 20
)

// add remembers a record.
func (r *readRecords) add(p journal.Position, k *known) {
	size := k.rec.Size()
	if len(r.young) == maxYoung || r.bytes+size > maxYoungBytes {
		*r = readRecords{old: r.young}
	}
	if r.young == nil {
		r.young = knownRecords{}
	}
	r.young[p] = k
	r.bytes += size
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
