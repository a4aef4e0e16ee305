package projection

import (
	"errors"
	"slices"
	"sync"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store/journal"
)

// application is one apply transaction.
type application struct {
	p        *Projection
	w        *counter
	recs     []located
	known    knownRecords // of this batch
	fetched  readRecords  // read for it, the last of them
	rights   *ledger.Rights
	logs     map[event.LogID]*LogInfo         // those looked at
	changed  map[event.LogID]bool             // those to be written
	placed   map[event.LogID][]placing        // records of this batch
	noted    map[event.Key]bool               // entities that are folded later
	touched  map[event.Key][]journal.Position // by the records of this batch
	unfolded bool                             // entities are left to be folded
	unread   []journal.Position               // where records lie that could not be read
	whole    bool                             // rights changed: what was left out of entities may count

	beside sync.Mutex // guards logs, fetched and unread while entities are folded side by side
}

// slot is one place of a log.
type slot struct {
	log event.LogID
	seq uint64
}

// placing is a record of this batch in its log.
type placing struct {
	seq uint64
	spot
}

// apply writes extents, touches and logs, then folds what was touched.
func (a *application) apply() error {
	touched, order, err := a.place()
	if err != nil {
		return err
	}
	a.touched = touched
	for _, k := range order {
		if a.noted[k] {
			continue
		}
		if err := a.addTouches(touchKey(k, a.recs[0].pos), touched[k]); err != nil {
			return err
		}
	}
	if _, ok := touched[event.RightsKey]; ok {
		if err := a.foldRights(touched[event.RightsKey]); err != nil {
			return err
		}
	}
	a.learn()
	return a.fold(slices.DeleteFunc(order, func(k event.Key) bool { return k == event.RightsKey || a.noted[k] })...)
}

// addTouches writes the row of positions that one batch adds to an entity.
func (a *application) addTouches(key []byte, ps []journal.Position) error {
	if at := a.recs[0].pos; at.Compare(a.p.twice) >= 0 && at.Compare(a.p.prioritized) > 0 {
		return a.w.Set(key, encodePositions(merged(nil, ps))) // no batch has begun here before
	}
	return addPositions(a.w, key, ps)
}

// place writes where the records lie and gathers which entities they touch, in
// the order in which they were first touched.
func (a *application) place() (map[event.Key][]journal.Position, []event.Key, error) {
	touched := map[event.Key][]journal.Position{}
	var order []event.Key
	touch := func(k event.Key, p journal.Position) {
		if _, ok := touched[k]; !ok {
			order = append(order, k)
		}
		touched[k] = append(touched[k], p)
	}
	x := newExtents(a.w)
	a.placed = map[event.LogID][]placing{}
	for _, l := range a.recs {
		known, err := a.follow(l, touch)
		if err != nil {
			return nil, nil, err
		}
		if !known {
			if err := x.add(l); err != nil {
				return nil, nil, err
			}
		}
		for _, k := range entitiesOf(l.rec) {
			touch(k, l.pos)
		}
		if err := a.attest(l, touch); err != nil {
			return nil, nil, err
		}
		if err := a.find(l); err != nil {
			return nil, nil, err
		}
	}
	if err := errors.Join(x.write(), a.settle(touch)); err != nil {
		return nil, nil, err
	}
	return touched, order, a.writeLogs()
}

// find writes the rows by which the record is found, or the one that it carries.
func (a *application) find(l located) error {
	r := l.rec.Original()
	if r != l.rec {
		if err := a.w.Set(againKey(r.Hash), l.pos.Encode()); err != nil {
			return err
		}
	}
	if id := r.Head.RequestId; id != "" && len(id) <= maxEntity && a.logs[l.rec.Log].Key.Equal(a.p.opt.Device) {
		return a.w.Set(requestKey(id), l.pos.Encode())
	}
	return nil
}

// follow moves the stored state of the record's log. A record beside another of
// the same seq is a fork: the log's entity and all that either of them touches
// say so. known says that this very copy of the record was placed before.
func (a *application) follow(l located, touch func(event.Key, journal.Position)) (known bool, err error) {
	log, err := a.log(l.rec.Log)
	if err != nil {
		return false, err
	}
	at := slot{l.rec.Log, l.rec.Head.Seq}
	here := spot{l.pos, [4]byte(l.rec.Hash[:4])}
	if !log.Tip.Hash.IsZero() && at.seq <= log.Newest() {
		beside, err := a.spots(at)
		if err != nil {
			return false, err
		}
		known = slices.Contains(beside, here)
		for _, o := range beside {
			r, err := a.record(o.pos)
			if errors.Is(err, journal.ErrDamaged) || err == nil && r.Hash == l.rec.Hash {
				continue
			}
			if err != nil {
				return false, err
			}
			for _, k := range append(entitiesOf(r), event.LogKey(r.Log)) {
				touch(k, o.pos)
			}
			touch(event.LogKey(l.rec.Log), l.pos)
		}
	}
	a.placed[at.log] = append(a.placed[at.log], placing{at.seq, here})
	a.changed[at.log] = true
	return known, log.Advance(l.rec, func(seq uint64) ([]exchange.Point, error) { return a.points(slot{at.log, seq}) })
}

// spots lists where the records of one place lie: in the index and in this batch.
func (a *application) spots(at slot) ([]spot, error) {
	out, err := positionsAt(a.w, at.log, at.seq)
	for _, p := range a.placed[at.log] {
		if p.seq == at.seq && !slices.Contains(out, p.spot) {
			out = append(out, p.spot)
		}
	}
	return out, err
}

// points reads the records of one place; what cannot be read is left out.
func (a *application) points(at slot) ([]exchange.Point, error) {
	spots, err := a.spots(at)
	if err != nil {
		return nil, err
	}
	var out []exchange.Point
	for _, p := range spots {
		r, err := a.record(p.pos)
		if errors.Is(err, journal.ErrDamaged) {
			continue
		}
		if err != nil {
			return nil, err
		}
		out = append(out, exchange.PointOf(r))
	}
	return out, nil
}

// forked says that another record with the same log and seq is held.
func (a *application) forked(r *event.Record) (bool, error) {
	log, err := a.log(r.Log)
	if err != nil || log.Fork == 0 || r.Head.Seq < log.Fork {
		return false, err
	}
	beside, err := a.points(slot{r.Log, r.Head.Seq})
	return slices.ContainsFunc(beside, func(p exchange.Point) bool { return p.Hash != r.Hash }), err
}

// log is the state of a log in this transaction. One whose opening record was
// lost to damage begins with what there is.
func (a *application) log(id event.LogID) (*LogInfo, error) {
	a.beside.Lock()
	defer a.beside.Unlock()
	if l, ok := a.logs[id]; ok {
		return l, nil
	}
	l := LogInfo{ID: id}
	value, ok, err := a.w.Get(logKey(id))
	if err == nil && ok {
		l, err = decodeLog(id, value)
	}
	a.logs[id] = &l
	return &l, err
}

func (a *application) writeLogs() error {
	for _, id := range event.SortedLogs(a.changed) {
		value, err := a.logs[id].encode()
		if err != nil {
			return err
		}
		if err := a.w.Set(logKey(id), value); err != nil {
			return err
		}
	}
	return nil
}
