package ledgertest

import (
	"fmt"
	"maps"
	"reflect"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	pb "thawtrail/proto/thawtrail/v1"
)

// History holds one replica to its word: what it once showed of an entity, every
// later look shows too, unless a record that it holds says why not. A hold that was
// read on a screen never vanishes because the program went on applying what it has.
//
// What was shown is every field of a state in which a record stands, anywhere below it
// (a thaw that was only told to be complete finds its beginning later), and, of a
// hold, that it stands. It is looked for by reflection, so that what is folded next
// year is held to its word too.
type History struct {
	shown map[Shown]event.Hash // and the correction by which it was shown, if there was one
}

// Shown is one thing that a replica told of an entity.
type Shown struct {
	Entity event.Key
	Where  string // the field of the state
	Record event.Hash
}

func (s Shown) String() string {
	return fmt.Sprintf("%s of %s by record %s", s.Where, s.Entity, s.Record.Short())
}

// Evidence is what the replica holds when it is looked at.
type Evidence struct {
	Records map[event.Hash]*event.Record // those that can be read
	Rights  *ledger.Rights               // as they count in the states that are looked at
	// Decayed are records that were held once and that the disk may not give any more.
	// What was folded of one stands until the index is built again, so that it is a
	// reason for as long as the entity's story lists it.
	Decayed map[event.Hash]*event.Record

	now map[Shown]event.Hash
}

// stands is the place of a hold that no release names.
const stands = "Holds that stand"

// Look compares what all states show now with what was shown before. The states of
// logs and of the rights are passed over: they tell of the exchange itself.
func (h *History) Look(states []ledger.State, e Evidence) error {
	now, cut := map[Shown]event.Hash{}, map[event.Key]bool{}
	for _, s := range states {
		if key := s.Key(); key.Kind != event.KindLog && key.Kind != event.KindRights {
			cut[key] = slices.ContainsFunc(s.Discrepancies(), func(d ledger.Discrepancy) bool { return d.Kind == ledger.TooMuch })
			by := map[event.Hash]event.Hash{}
			for _, entry := range s.Story() {
				by[entry.Record] = entry.By
			}
			show(s, func(where string, record event.Hash) { now[Shown{key, where, record}] = by[record] })
		}
	}
	e.now = now
	for s, by := range h.shown {
		_, still := now[s]
		lost := !by.IsZero() && e.Records[by] == nil // the correction: the record says what it said at first
		if !still && !cut[s.Entity] && !lost && !e.explains(s) {
			return fmt.Errorf("no longer shown, and no record says why: %s", s)
		}
	}
	h.shown = now
	return nil
}

// Len is how many things were shown by the last look.
func (h *History) Len() int { return len(h.shown) }

// explains says that a record which is held, or the lack of one, is the reason why
// something is not shown any more.
func (e Evidence) explains(s Shown) bool {
	r := e.Records[s.Record]
	if r == nil || !ledger.Clean(e.Rights.Standing(r)) { // damaged, or taken out of the books
		return true
	}
	if s.Where != "Timeline" && e.leans(r, s.Entity) {
		return true
	}
	for _, o := range e.reasons(s.Entity) {
		if o.Hash != r.Hash && o.Log == r.Log && o.Seq() == r.Seq() {
			return true // a fork was found
		}
		p := payload(o.Original()) // it may have been saved again
		if c, ok := p.(*pb.Corrected); ok {
			if c.Original == s.Record.String() {
				return true
			}
			if p, _ = event.Replacement(c); s.Entity.Kind == event.KindBatch && delivers(p, payload(r)) &&
				!slices.Contains(event.KeysOf(c.Type, p, time.UnixMilli(o.OccurredMs())), s.Entity) {
				return true // its bag is of another batch, which the delivery names now
			}
		}
		if released, ok := p.(*pb.BatchReleased); ok && s.Where == stands && released.Hold == s.Record.String() {
			return true
		}
	}
	return false
}

// reasons are the records that may say why something of an entity is not shown.
func (e Evidence) reasons(entity event.Key) []*event.Record {
	out := slices.Collect(maps.Values(e.Records))
	for _, r := range e.Decayed {
		if _, listed := e.now[Shown{entity, "Timeline", r.Original().Hash}]; listed {
			out = append(out, r)
		}
	}
	return out
}

// leans says that what a record tells is shown beside that of another, and went with
// it: a release with its hold, and what a code told once the records themselves came.
func (e Evidence) leans(r *event.Record, entity event.Key) bool {
	switch p := payload(r).(type) {
	case *pb.CaseAdopted:
		return true
	case *pb.BatchReleased:
		hold, ok := event.ParseHash(p.Hold)
		return ok && e.explains(Shown{entity, "Holds", hold})
	}
	return false
}

// delivers says that an entry brought the bag into the books of which a record tells.
func delivers(delivery, told proto.Message) bool {
	of, ok := told.(interface{ GetBag() string })
	if !ok {
		return false
	}
	switch p := delivery.(type) {
	case *pb.BagsReceived:
		return slices.Contains(p.Bags, of.GetBag())
	case *pb.BagFound:
		return p.Bag == of.GetBag()
	}
	return false
}

// show finds every place in a state where a record stands.
func show(s ledger.State, found func(where string, record event.Hash)) {
	walk(reflect.ValueOf(s), "", found)
	if b, ok := s.(*ledger.Batch); ok {
		for _, hold := range b.Standing() {
			found(stands, hold.Stamp.Record)
		}
	}
}

// passed are fields that are made of all records together, so that one more can take
// another's place: discrepancies, the last word on two entities and on a patient, and
// where a bag lay and moved. Each of their records stands in the timeline too.
var passed = []string{"Found", "Links", "Patient", "Custody", "Moves"}

func walk(v reflect.Value, where string, found func(where string, record event.Hash)) {
	switch v.Kind() {
	case reflect.Pointer, reflect.Interface:
		if !v.IsNil() {
			walk(v.Elem(), where, found)
		}
	case reflect.Slice:
		for i := range v.Len() {
			walk(v.Index(i), where, found)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			field := v.Type().Field(i)
			switch record, is := v.Field(i), field.Type == reflect.TypeFor[event.Hash](); {
			case !field.IsExported() || slices.Contains(passed, field.Name):
			case is && field.Name == "Record":
				found(where, record.Interface().(event.Hash))
			case field.Anonymous || where != "":
				walk(record, where, found)
			default:
				walk(record, field.Name, found)
			}
		}
	}
}
