package replication

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"sync"
	"time"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/ledger"
	"thawtrail/internal/refusal"
	"thawtrail/internal/replica"
	"thawtrail/internal/store"
	pb "thawtrail/proto/thawtrail/v1"
)

// Keys of sealed fields travel beside the records that need them, and are compared
// by their ids once records are exchanged. A key is taken when a record that is held
// needs it, and for nothing else: whoever may bring keys could fill the keyring.

// Bounds of keys.
const (
	maxKeysAsked  = 500      // handed out in one answer
	maxKeysListed = 4096     // ids in one answer
	maxWaiting    = 4096     // keys of one device that wait for their record
	maxInFile     = 64 << 10 // keys of a file that wait for theirs
	maxKeysOf     = 16 << 10 // held of records that one device wrote
	maxOfEntity   = 20_000   // records of one entity that are looked through
)

// keysFor are the keys that the records of a run need.
func keysFor(r *replica.Replica, run *pb.Run) []*pb.FieldKey {
	var ids [][]byte
	for _, wire := range run.GetRecords() {
		ids = append(ids, event.KeysNeededBy(wire)...)
	}
	slices.SortFunc(ids, slices.Compare[[]byte])
	return r.Seals.Find(slices.CompactFunc(ids, slices.Equal[[]byte]))
}

// keyIntake takes keys in for one replica.
type keyIntake struct {
	*replica.Replica
	most int // keys of one device that wait at once

	mu      sync.Mutex
	waiting map[exchange.DeviceID]*waitingKeys // guarded by mu; by who brought them
	taken   map[exchange.DeviceID]int          // guarded by mu; those held, by who wrote the record
}

// waitingKeys are keys that one device brought before a record that needs them.
type waitingKeys struct {
	mu   sync.Mutex
	keys map[string]*pb.FieldKey // guarded by mu; by id
}

func newKeyIntake(r *replica.Replica, most int) *keyIntake {
	return &keyIntake{Replica: r, most: most, waiting: map[exchange.DeviceID]*waitingKeys{}, taken: map[exchange.DeviceID]int{}}
}

// of gives what waits from one device. More devices than there can be are not
// remembered: their keys are compared again.
func (k *keyIntake) of(from exchange.DeviceID) *waitingKeys {
	k.mu.Lock()
	defer k.mu.Unlock()
	if w := k.waiting[from]; w != nil {
		return w
	}
	if len(k.waiting) >= exchange.MaxLogs {
		clear(k.waiting)
	}
	w := &waitingKeys{keys: map[string]*pb.FieldKey{}}
	k.waiting[from] = w
	return w
}

// wait keeps keys until a record needs them.
func (k *keyIntake) wait(from exchange.DeviceID, keys []*pb.FieldKey) {
	w := k.of(from)
	w.mu.Lock()
	defer w.mu.Unlock()
	k.add(w, keys)
}

func (k *keyIntake) add(w *waitingKeys, keys []*pb.FieldKey) (came []string) {
	for _, m := range keys {
		id := string(m.GetKeyId())
		if (w.keys[id] != nil || len(w.keys) < k.most) && k.Seals.Wants(m) {
			w.keys[id] = m
			came = append(came, id)
		}
	}
	return came
}

// take takes the keys that came from a device as far as a record needs them: one of
// these results, or any that is held. The others wait for their record, and those
// that waited are taken with it. What was taken is on the disk when it returns; the
// error is the disk's alone.
func (k *keyIntake) take(ctx context.Context, from exchange.DeviceID, keys []*pb.FieldKey, results []store.RunResult) error {
	w := k.of(from)
	w.mu.Lock()
	defer w.mu.Unlock()
	came := k.add(w, keys)
	if len(w.keys) == 0 {
		return nil
	}
	needed := map[string]*event.Record{}
	for _, res := range results {
		for _, rec := range res.Accepted {
			note(needed, rec)
		}
	}
	if err := k.look(ctx, w.keys, came, needed); err != nil {
		return err
	}
	if err := k.count(ctx, w.keys, needed); err != nil {
		return err
	}
	return k.save(from, k.choose(w.keys, needed))
}

// settle takes what waits and a held record needs, and forgets the rest.
func (k *keyIntake) settle(ctx context.Context, from exchange.DeviceID) error {
	w := k.of(from)
	w.mu.Lock()
	defer w.mu.Unlock()
	needed := map[string]*event.Record{}
	if err := k.look(ctx, w.keys, slices.Sorted(maps.Keys(w.keys)), needed); err != nil {
		return err
	}
	if err := k.count(ctx, w.keys, needed); err != nil {
		return err
	}
	taken := k.choose(w.keys, needed)
	clear(w.keys)
	return k.save(from, taken)
}

// note writes down which keys a record needs.
func note(needed map[string]*event.Record, rec *event.Record) {
	for _, id := range rec.KeysNeeded() {
		needed[string(id)] = rec
	}
}

// isOf says that a key is said to be of an entity that the record is about, or of the
// client about whom the record has words under that key: else forgetting that entity would
// not drop it.
func isOf(m *pb.FieldKey, rec *event.Record) bool {
	e := event.Key{Kind: m.GetEntity().GetKind(), ID: m.GetEntity().GetId()}
	return slices.Contains(rec.Touches(), e) || rec.SealedFor(m.GetKeyId(), e) || e == event.SealOwner(0, &pb.Sealed{}, "", time.Time{})
}

// count counts, once since the start, the keys that are held of the records of each
// device whose keys come now: what a device may have does not begin anew with a start.
func (k *keyIntake) count(ctx context.Context, pending map[string]*pb.FieldKey, needed map[string]*event.Record) error {
	for _, id := range slices.Sorted(maps.Keys(pending)) {
		rec, ok := needed[id]
		if !ok {
			continue
		}
		writer := writerOf(rec)
		k.mu.Lock()
		_, counted := k.taken[writer]
		k.mu.Unlock()
		if counted {
			continue
		}
		n, err := k.heldOf(ctx, writer)
		if err != nil {
			return err
		}
		k.mu.Lock()
		if _, counted = k.taken[writer]; !counted {
			k.taken[writer] = n
		}
		k.mu.Unlock()
	}
	return nil
}

// writerOf is the device that a record names as its writer.
func writerOf(rec *event.Record) (id exchange.DeviceID) {
	copy(id[:], rec.Head.GetDevice())
	return id
}

// heldOf counts the keys that are held of the records of one device, as far as it may
// have any. It reads the logs of that device.
func (k *keyIntake) heldOf(ctx context.Context, writer exchange.DeviceID) (n int, err error) {
	seen := map[string]bool{}
	for _, l := range k.Store.Logs() {
		if !bytes.Equal(l.Device(), writer[:]) {
			continue
		}
		for from := uint64(0); from <= l.Newest() && n < maxKeysOf; {
			run, next, err := k.Store.ReadRun(ctx, l.ID, from, exchange.MaxBatchBytes)
			if err != nil {
				return n, err
			}
			if run == nil || next <= from {
				break // what stands behind damage is counted when it is there again
			}
			for _, key := range keysFor(k.Replica, run) {
				if id := string(key.GetKeyId()); !seen[id] {
					seen[id] = true
					n++
				}
			}
			from = next
		}
	}
	return n, nil
}

// choose moves the keys that are needed out of those that wait, within what one
// device may have.
func (k *keyIntake) choose(pending map[string]*pb.FieldKey, needed map[string]*event.Record) (out []*pb.FieldKey) {
	k.mu.Lock()
	defer k.mu.Unlock()
	for _, id := range slices.Sorted(maps.Keys(pending)) {
		rec, ok := needed[id]
		if !ok || !isOf(pending[id], rec) {
			continue
		}
		writer := writerOf(rec)
		if k.taken[writer] < maxKeysOf {
			k.taken[writer]++
			out = append(out, pending[id])
		}
		delete(pending, id)
	}
	return out
}

func (k *keyIntake) save(from exchange.DeviceID, keys []*pb.FieldKey) error {
	if len(keys) == 0 {
		return nil
	}
	refused, err := k.Seals.Take(keys)
	if refused != nil {
		k.Log.Warn("a key of sealed words is not taken", "from", from.Short(), "why", refused)
	}
	return err
}

// look finds out whether held records need keys that came now and that no record of
// the batch needs. Each entity is read once.
func (k *keyIntake) look(ctx context.Context, pending map[string]*pb.FieldKey, came []string, needed map[string]*event.Record) error {
	entities := map[event.Key]bool{}
	for _, id := range came {
		if _, ok := needed[id]; !ok {
			e := pending[id].GetEntity()
			entities[event.Key{Kind: e.GetKind(), ID: e.GetId()}] = true
		}
	}
	if len(entities) == 0 {
		return nil
	}
	return k.Store.View(ctx, func(v *store.Snapshot) error {
		for e := range maps.Clone(entities) {
			if err := alsoFor(v, e, entities); err != nil {
				return err
			}
		}
		for e := range entities {
			n := 0
			err := v.Records(e, func(rec *event.Record) error {
				if n++; n > maxOfEntity {
					return errEnough
				}
				note(needed, rec)
				return nil
			})
			if err != nil && !errors.Is(err, errEnough) {
				return err
			}
		}
		return nil
	})
}

// alsoFor adds the cases and mares in which words are sealed under a client's key.
func alsoFor(v *store.Snapshot, of event.Key, entities map[event.Key]bool) error {
	if of.Kind != event.KindClient {
		return nil
	}
	more, err := v.Find(ledger.TermSealedFor(of.ID), maxOfEntity)
	for _, e := range more {
		entities[e] = true
	}
	return err
}

// errEnough ends a read early.
var errEnough = errors.New("enough")

// Keys compares ids and hands out keys.
func (x *Responder) Keys(ctx context.Context, req *pb.KeysRequest) (*pb.KeysResponse, error) {
	if err := isCaller(ctx, req.Device); err != nil {
		return nil, err
	}
	if len(req.Wanted) > maxKeysAsked {
		return nil, refusal.New("wanted", len(req.Wanted), fmt.Sprintf("at most %d keys at once", maxKeysAsked))
	}
	out := &pb.KeysResponse{Keys: x.Seals.Find(req.Wanted)}
	if len(req.Sums) == 0 {
		return out, nil
	}
	held, forgotten, next, err := x.Seals.Differing(req.Sums, int(min(req.From, 256)), maxKeysListed)
	if err != nil {
		return nil, refusal.New("sums", len(req.Sums), "2,048 bytes")
	}
	out.Sums, out.Known, out.Next = x.Seals.Sums(), append(held, forgotten...), uint32(next)
	return out, nil
}
