package store

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal"
)

// Size of one apply transaction in records: halved when the index says that it
// is too big, doubled when it went in.
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

// behindBy counts the committed records that are not in the index.
func (s *Store) behindBy() int {
	s.mu.RLock()
	defer s.mu.RUnlock()
	n := 0
	for _, l := range s.logs {
		n += len(l.tail)
	}
	if s.freshGap || s.cursor.unclean {
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
		case errors.Is(err, index.ErrTooBig) && s.batch > leastBatch:
			s.batch = max(leastBatch, min(s.batch, len(recs))/2)
			continue
		case err != nil:
			return 0, err
		}
		s.batch = min(mostBatch, s.batch*2)
		return max(len(recs), 1), nil
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
		if r, err := event.Decode(frame); err != nil {
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
	a := &application{s: s, recs: recs, byPos: make(map[journal.Position]*event.Record, len(recs)), rights: s.rights}
	for _, l := range recs {
		a.byPos[l.pos] = l.rec
	}
	var moved cursor
	err := s.index.Update(func(w index.Writer) error {
		c := &counter{Writer: w}
		a.w = c
		if err := a.apply(); err != nil {
			return err
		}
		moved = s.cursor.moved(next, c.bytes)
		value, err := moved.encode()
		if err != nil {
			return err
		}
		return w.Set(cursorKey, value)
	})
	if err != nil {
		return err
	}
	s.cursor, s.rights = moved, a.rights
	s.applied(recs, next)
	return nil
}

// counter counts the bytes that a transaction gives to the index.
type counter struct {
	index.Writer
	bytes uint64
}

func (c *counter) Set(key, value []byte) error {
	c.bytes += uint64(index.TxnBytes(key, value))
	return c.Writer.Set(key, value)
}

func (c *counter) Delete(key []byte) error {
	c.bytes += uint64(index.TxnBytes(key, nil))
	return c.Writer.Delete(key)
}

// applied drops from memory what the index holds now.
func (s *Store) applied(recs []located, next journal.Position) {
	s.mu.Lock()
	defer s.mu.Unlock()
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
	s      *Store
	w      index.Writer
	recs   []located
	byPos  map[journal.Position]*event.Record
	rights *ledger.Rights
	logs   map[event.LogID]*LogInfo
}

// apply writes extents, touches and logs, then folds what was touched.
func (a *application) apply() error {
	a.logs = map[event.LogID]*LogInfo{}
	touched, order, err := a.place()
	if err != nil {
		return err
	}
	for _, k := range order {
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
		if k != event.RightsKey {
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
	x := newExtents()
	for _, l := range a.recs {
		forked, err := a.follow(l, touch)
		if err != nil {
			return nil, nil, err
		}
		x.add(l, forked)
		for _, k := range l.rec.Touches() {
			touch(k, l.pos)
		}
		if id := l.rec.Head.RequestId; id != "" && a.s.ownKey(l.rec.Log) {
			if err := a.w.Set(requestKey(id), l.pos.Encode()); err != nil {
				return nil, nil, err
			}
		}
	}
	if err := x.write(a.w); err != nil {
		return nil, nil, err
	}
	return touched, order, a.writeLogs()
}

// follow moves the stored state of the record's log. A record beside another of
// the same seq is a fork: both touch the log's entity.
func (a *application) follow(l located, touch func(event.Key, journal.Position)) (forked bool, err error) {
	log, err := a.log(l.rec)
	if err != nil {
		return false, err
	}
	if log.known && l.rec.Head.Seq <= log.info.Tip.Seq {
		others, err := positionsAt(a.w, l.rec.Log, l.rec.Head.Seq)
		if err != nil {
			return false, err
		}
		for _, o := range others {
			if o.hash4 == [4]byte(l.rec.Hash[:4]) {
				return false, nil // the same record, applied before
			}
			touch(event.LogKey(l.rec.Log), o.pos)
			touch(event.LogKey(l.rec.Log), l.pos)
			forked = true
		}
	}
	log.info.advance(l.rec)
	a.logs[l.rec.Log] = log.info
	return forked, nil
}

type knownLog struct {
	info  *LogInfo
	known bool // the index had it, or an earlier record of this batch opened it
}

func (a *application) log(r *event.Record) (knownLog, error) {
	if l, ok := a.logs[r.Log]; ok {
		return knownLog{l, true}, nil
	}
	value, ok, err := a.w.Get(logKey(r.Log))
	if err != nil {
		return knownLog{}, err
	}
	if ok {
		l, err := decodeLog(r.Log, value)
		return knownLog{&l, true}, err
	}
	if l, ok := openedLog(r); ok {
		return knownLog{l, false}, nil
	}
	// The opening record was lost to damage: keep what there is.
	return knownLog{&LogInfo{ID: r.Log}, false}, nil
}

func (a *application) writeLogs() error {
	for _, id := range sortedLogs(a.logs) {
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
	inputs, clean, err := a.inputs(k)
	if err != nil {
		return err
	}
	if err := a.mark(uncleanKey(k), !clean); err != nil {
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
		terms = ledger.Terms(state)
	}
	if err := a.setOrDelete(stateKey(k), value); err != nil {
		return err
	}
	return a.retitle(k, terms)
}

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

// inputs reads every record that touches an entity. clean says that none of
// them lacks a right, so that no later grant can change the entity.
func (a *application) inputs(k event.Key) (inputs []ledger.Input, clean bool, err error) {
	positions, err := touches(a.w, k)
	if err != nil {
		return nil, false, err
	}
	clean = true
	for _, p := range positions {
		r, err := a.record(p)
		if err != nil {
			if errors.Is(err, journal.ErrDamaged) {
				continue // noted as damage; other replicas can refill it
			}
			return nil, false, err
		}
		st := ledger.Standing{In: true, Entitled: true}
		if k != event.RightsKey {
			st = a.rights.Standing(r)
		}
		clean = clean && ledger.Clean(st)
		if st.In {
			payload, _ := r.Payload()
			inputs = append(inputs, ledger.Input{Rec: r, Payload: payload, Entitled: st.Entitled})
		}
	}
	return inputs, clean, nil
}

func (a *application) record(p journal.Position) (*event.Record, error) {
	if r, ok := a.byPos[p]; ok {
		return r, nil
	}
	return a.s.recordAt(p)
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
