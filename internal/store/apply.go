package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal"
)

// Size of one apply transaction in records: halved when the index says that it
// is too big, doubled when twice as much would have gone in too.
const (
	firstBatch = 256
	leastBatch = 1
	mostBatch  = 4096
)

// CatchUp applies to the index all that the journal holds. A query calls it
// first; it costs next to nothing when there is nothing to apply.
func (s *Store) CatchUp(ctx context.Context) error {
	if s.behindBy() == 0 {
		return nil
	}
	s.applier.Lock()
	defer s.applier.Unlock()
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		if s.isClosed() {
			return ErrClosed
		}
		n, err := s.applySome()
		if err != nil {
			return fmt.Errorf("bring the index up to date: %w", err)
		}
		if n == 0 {
			break
		}
	}
	return s.refoldAll(ctx)
}

// behindBy counts the committed records that are not in the index, and one more
// when there is other work left.
func (s *Store) behindBy() int {
	s.mu.RLock()
	defer s.mu.RUnlock()
	n := 0
	for _, l := range s.logs {
		n += len(l.tail)
	}
	if s.freshGap || s.pending {
		n++
	}
	return n
}

// applySome applies the next batch and says how many records it held.
func (s *Store) applySome() (int, error) {
	for {
		recs, next, err := s.nextBatch()
		if err != nil || next == s.cursor.pos {
			return 0, err
		}
		err = s.applyBatch(recs, next)
		switch {
		case errors.Is(err, index.ErrTooBig) && len(recs) > leastBatch:
			s.batch = max(leastBatch, len(recs)/2)
			continue
		case errors.Is(err, index.ErrTooBig):
			err = s.applyLater(recs, next)
		}
		if err != nil {
			return 0, err
		}
		return max(len(recs), 1), s.refoldFew()
	}
}

// nextBatch takes the next records after the cursor: from memory when they are
// kept there, else from the journal.
func (s *Store) nextBatch() ([]located, journal.Position, error) {
	if recs := s.freshAfter(s.cursor.pos); len(recs) > 0 {
		return recs, recs[len(recs)-1].next, nil
	}
	return s.scanBatch()
}

// freshAfter takes records that were kept decoded, if they reach to the cursor.
func (s *Store) freshAfter(pos journal.Position) []located {
	s.mu.Lock()
	defer s.mu.Unlock()
	for len(s.fresh) > 0 && s.fresh[0].pos.Compare(pos) < 0 {
		s.fresh = s.fresh[1:]
	}
	if len(s.fresh) == 0 || !s.adjacent(pos, s.fresh[0].pos) {
		return nil
	}
	return slices.Clone(s.fresh[:min(len(s.fresh), s.batch)])
}

// adjacent says that nothing lies in the journal between two positions.
func (s *Store) adjacent(cursor, first journal.Position) bool {
	return cursor == first
}

var errEnough = errors.New("enough")

// scanBatch reads the next records from the journal. Damage is noted and passed.
func (s *Store) scanBatch() ([]located, journal.Position, error) {
	var recs []located
	end := s.journal.End()
	next := s.cursor.pos
	err := s.journal.Scan(s.cursor.pos, func(pos journal.Position, frame []byte) error {
		if len(recs) == s.batch {
			next = pos
			return errEnough
		}
		if r, err := event.Decode(bytes.Clone(frame)); err != nil {
			s.mu.Lock()
			s.damage(pos, pos, err.Error())
			s.mu.Unlock()
		} else {
			recs = append(recs, located{rec: r, pos: pos})
		}
		return nil
	}, func(from, to journal.Position, reason string) error {
		s.mu.Lock()
		defer s.mu.Unlock()
		s.damage(from, to, reason)
		return nil
	})
	if errors.Is(err, errEnough) {
		return recs, next, nil
	}
	if err == nil {
		s.mu.Lock()
		s.freshGap = false
		s.mu.Unlock()
	}
	return recs, end, err
}

// applyBatch applies records to the index in one transaction.
func (s *Store) applyBatch(recs []located, next journal.Position) error {
	return s.applyTxn(recs, next, (*application).apply)
}

// applyTxn lets do change the index and moves the cursor in the same transaction.
func (s *Store) applyTxn(recs []located, next journal.Position, do func(*application) error) error {
	a := s.application(recs)
	moved, err := s.update(a, func() (cursor, error) {
		err := do(a)
		return s.cursor.moved(next, a.w.bytes, s.opt.behind), err
	})
	if err != nil {
		return err
	}
	s.cursor, s.rights = moved, a.rights
	if 2*a.w.txn < s.index.MaxTxnBytes() {
		s.batch = min(mostBatch, s.batch*2)
	}
	s.applied(recs, next, a.pending)
	return nil
}

// update runs one transaction for an application and writes the cursor with it.
func (s *Store) update(a *application, do func() (cursor, error)) (next cursor, err error) {
	err = s.index.Update(func(w index.Writer) error {
		a.w = &counter{Writer: w}
		if next, err = do(); err != nil {
			return err
		}
		value, err := next.encode()
		if err != nil {
			return err
		}
		return w.Set(cursorKey, value)
	})
	return next, err
}

// laterKeys is how many entities one transaction notes to be folded later.
const laterKeys = 200

// applyLater applies one record that touches more than one transaction holds:
// first it notes, in several, what the record touches and that it is to be
// folded; then comes the record itself with the cursor. A crash in between
// leaves notes that only cause work.
func (s *Store) applyLater(recs []located, next journal.Position) error {
	noted := map[event.Key]bool{}
	for keys := range slices.Chunk(entitiesOf(recs[0].rec), laterKeys) {
		err := s.index.Update(func(w index.Writer) error {
			for _, k := range keys {
				noted[k] = true
				if err := errors.Join(w.Set(touchKey(k, recs[0].pos), recs[0].pos.Encode()), w.Set(dirtyKey(k), []byte{1})); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			return err
		}
	}
	return s.applyTxn(recs, next, func(a *application) error {
		a.noted, a.pending = noted, true
		return a.apply()
	})
}

func (s *Store) application(recs []located) *application {
	a := &application{s: s, recs: recs, rights: s.rights, logs: map[event.LogID]*LogInfo{},
		changed: map[event.LogID]bool{}, byPos: make(map[journal.Position]*event.Record, len(recs))}
	for _, l := range recs {
		a.byPos[l.pos] = l.rec
	}
	return a
}

// counter counts the bytes that a transaction gives to the index.
type counter struct {
	index.Writer
	bytes uint64
	txn   int64 // as the index counts against its limit
}

func (c *counter) Set(key, value []byte) error {
	c.bytes += uint64(len(key) + len(value) + entryBytes)
	c.txn += index.TxnBytes(key, value)
	return c.Writer.Set(key, value)
}

func (c *counter) Delete(key []byte) error {
	c.bytes += uint64(len(key) + entryBytes)
	c.txn += index.TxnBytes(key, nil)
	return c.Writer.Delete(key)
}

// applied drops from memory what the index holds now.
func (s *Store) applied(recs []located, next journal.Position, pending bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.pending = s.pending || pending
	for _, l := range recs {
		ls := s.logs[l.rec.Log]
		if ls == nil {
			continue
		}
		for len(ls.tail) > 0 && ls.tail[0].pos.Compare(next) < 0 {
			ls.tail = ls.tail[1:]
		}
		if len(ls.tail) == 0 {
			ls.tail = nil
		}
	}
	for len(s.fresh) > 0 && s.fresh[0].pos.Compare(next) < 0 {
		s.fresh = s.fresh[1:]
	}
	if len(s.fresh) == 0 {
		s.fresh = nil
	}
	s.wakeLocked()
}

// application is one apply transaction.
type application struct {
	s       *Store
	w       *counter
	recs    []located
	byPos   map[journal.Position]*event.Record
	rights  *ledger.Rights
	logs    map[event.LogID]*LogInfo         // those looked at
	changed map[event.LogID]bool             // those to be written
	placed  map[seat][]spot                  // records of this batch
	noted   map[event.Key]bool               // entities that are folded later
	touched map[event.Key][]journal.Position // by the records of this batch
	pending bool                             // entities are left to be folded
}

// seat is one place of a log.
type seat struct {
	log event.LogID
	seq uint64
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
		if err := a.w.Set(touchKey(k, a.recs[0].pos), encodePositions(touched[k])); err != nil {
			return err
		}
	}
	if _, ok := touched[event.RightsKey]; ok {
		if err := a.foldRights(touched[event.RightsKey]); err != nil {
			return err
		}
	}
	for _, k := range order {
		if k != event.RightsKey && !a.noted[k] {
			if err := a.fold(k); err != nil {
				return err
			}
		}
	}
	return nil
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
	a.placed = map[seat][]spot{}
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
		if id := l.rec.Head.RequestId; id != "" && len(id) <= maxEntity && a.logs[l.rec.Log].Key.Equal(a.s.public) {
			if err := a.w.Set(requestKey(id), l.pos.Encode()); err != nil {
				return nil, nil, err
			}
		}
	}
	if err := x.write(); err != nil {
		return nil, nil, err
	}
	return touched, order, a.writeLogs()
}

// follow moves the stored state of the record's log. A record beside another of
// the same seq is a fork: the log's entity and all that either of them touches
// say so. known says that this very copy of the record was placed before.
func (a *application) follow(l located, touch func(event.Key, journal.Position)) (known bool, err error) {
	log, err := a.log(l.rec.Log)
	if err != nil {
		return false, err
	}
	at := seat{l.rec.Log, l.rec.Head.Seq}
	here := spot{l.pos, [4]byte(l.rec.Hash[:4])}
	if !log.Tip.Hash.IsZero() && at.seq <= log.newest() {
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
	a.placed[at] = append(a.placed[at], here)
	a.changed[at.log] = true
	return known, log.advance(l.rec, func(seq uint64) ([]exchange.Point, error) { return a.points(seat{at.log, seq}) })
}

// spots lists where the records of one place lie: in the index and in this batch.
func (a *application) spots(at seat) ([]spot, error) {
	out, err := positionsAt(a.w, at.log, at.seq)
	for _, p := range a.placed[at] {
		if !slices.Contains(out, p) {
			out = append(out, p)
		}
	}
	return out, err
}

// points reads the records of one place; what cannot be read is left out.
func (a *application) points(at seat) ([]exchange.Point, error) {
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
		out = append(out, pointOf(r))
	}
	return out, nil
}

// forked says that another record with the same log and seq is held.
func (a *application) forked(r *event.Record) (bool, error) {
	log, err := a.log(r.Log)
	if err != nil || log.Fork == 0 || r.Head.Seq < log.Fork {
		return false, err
	}
	beside, err := a.points(seat{r.Log, r.Head.Seq})
	return slices.ContainsFunc(beside, func(p exchange.Point) bool { return p.Hash != r.Hash }), err
}

// log is the state of a log in this transaction. One whose opening record was
// lost to damage begins with what there is.
func (a *application) log(id event.LogID) (*LogInfo, error) {
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
	for _, id := range sortedLogs(a.changed) {
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

// fold builds one entity's state from all records that touch it.
func (a *application) fold(k event.Key) error {
	inputs, found, err := a.inputs(k)
	if err != nil {
		return err
	}
	if err := a.mark(uncleanKey(k), found.unclean); err != nil {
		return err
	}
	return a.put(k, ledger.Fold(k, inputs))
}

// put writes an entity's state and the terms it is found under.
func (a *application) put(k event.Key, state ledger.State) error {
	var value []byte
	var terms []string
	if state != nil {
		var err error
		if value, err = ledger.Encode(state); err != nil {
			return fmt.Errorf("encode %s: %w", k, err)
		}
		terms = slices.DeleteFunc(ledger.Terms(state), func(t string) bool { return len(t) > maxTerm })
	}
	if err := a.setOrDelete(stateKey(k), value); err != nil {
		return err
	}
	return a.retitle(k, terms)
}

// maxTerm bounds a term in bytes, so that with its entity it makes a key.
const maxTerm = 400

// retitle changes the terms under which an entity is found.
func (a *application) retitle(k event.Key, terms []string) error {
	old, _, err := a.w.Get(termsKey(k))
	if err != nil {
		return err
	}
	joined := strings.Join(terms, "\x00")
	if string(old) == joined {
		return nil
	}
	for _, t := range splitTerms(old) {
		if err := a.w.Delete(termKey(t, k)); err != nil {
			return err
		}
	}
	for _, t := range terms {
		if err := a.w.Set(termKey(t, k), []byte{1}); err != nil {
			return err
		}
	}
	return a.setOrDelete(termsKey(k), []byte(joined))
}

func splitTerms(value []byte) []string {
	if len(value) == 0 {
		return nil
	}
	return strings.Split(string(value), "\x00")
}

func (a *application) setOrDelete(key, value []byte) error {
	if len(value) == 0 {
		return a.w.Delete(key)
	}
	return a.w.Set(key, value)
}

// mark sets or removes a row that has no value of its own.
func (a *application) mark(key []byte, on bool) error {
	_, was, err := a.w.Get(key)
	if err != nil || was == on {
		return err
	}
	if on {
		return a.w.Set(key, []byte{1})
	}
	return a.w.Delete(key)
}

// found is what inputs met beside the records.
type found struct {
	unclean bool // some record lacks a right, so that a later grant can change the entity
	damaged bool // some record cannot be read
}

// inputs reads every record that touches an entity.
func (a *application) inputs(k event.Key) (inputs []ledger.Input, met found, err error) {
	positions, err := a.touches(k)
	if err != nil {
		return nil, met, err
	}
	for _, p := range positions {
		r, err := a.record(p)
		if err != nil {
			if errors.Is(err, journal.ErrDamaged) {
				met.damaged = true // noted when it was met; other replicas can refill it
				continue
			}
			return nil, met, err
		}
		st := ledger.Standing{In: true, Entitled: true}
		if k != event.RightsKey {
			st = a.rights.Standing(r)
		}
		met.unclean = met.unclean || !ledger.Clean(st)
		if !st.In {
			continue
		}
		forked, err := a.forked(r)
		if err != nil {
			return nil, met, err
		}
		payload, _ := r.Payload()
		inputs = append(inputs, ledger.Input{Rec: r, Payload: payload, Entitled: st.Entitled, Forked: forked, Foreign: a.s.foreign(r)})
	}
	return inputs, met, nil
}

func (a *application) record(p journal.Position) (*event.Record, error) {
	if r, ok := a.byPos[p]; ok {
		return r, nil
	}
	return a.s.recordAt(p)
}

// touches lists where the records that touch an entity lie, each once. An entity
// without a state, none of whose records lacked a right, was not touched before
// this batch by any record that can be read.
func (a *application) touches(k event.Key) ([]journal.Position, error) {
	if now := a.touched[k]; now != nil {
		_, known, err := a.w.Get(stateKey(k))
		if err == nil && !known {
			_, known, err = a.w.Get(uncleanKey(k))
		}
		if err != nil || !known {
			slices.SortFunc(now, journal.Position.Compare)
			return slices.Compact(now), err
		}
	}
	return touches(a.w, k)
}

// touches lists where the records that touch an entity lie, each once.
func touches(r index.Reader, k event.Key) ([]journal.Position, error) {
	var out []journal.Position
	err := r.Scan(touchPrefix(k), nil, false, func(_, v []byte) (bool, error) {
		out = appendPositions(out, v)
		return true, nil
	})
	slices.SortFunc(out, journal.Position.Compare)
	return slices.Compact(out), err
}
