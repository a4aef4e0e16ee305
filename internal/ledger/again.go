package ledger

import (
	"slices"

	"thawtrail/internal/event"
	pb "thawtrail/proto/thawtrail/v1"
)

// originals puts the record that was saved again in the place of each one that
// carries it: a fold sees what a person entered, once, however it came. The record
// that carries stands in a log of its own.
func originals(key event.Key, inputs []Input) []Input {
	if !slices.ContainsFunc(inputs, Input.carries) {
		return inputs
	}
	out := make([]Input, 0, len(inputs)+1)
	for _, in := range inputs {
		if !in.carries() {
			out = append(out, in)
			continue
		}
		if standsIn(in.Rec, key) {
			out = append(out, in)
		}
		if key.Kind == event.KindLog {
			in.Forked = false // said of the place of the one that carries
		}
		if o := in.Rec.Original(); key.Kind == event.KindLog || slices.Contains(o.Touches(), key) {
			in.via = in.ways()
			in.Rec = o
			in.Payload, _ = o.Payload() // what cannot be read is nil and folded as such
			in.Flaw = FlawUnasked
			out = append(out, in)
		}
	}
	return out
}

// standsIn says that a log's entity is told of the record itself: it is of that log,
// or had seen a record of it.
func standsIn(r *event.Record, key event.Key) bool {
	return key == event.LogKey(r.Log) || key.Kind == event.KindLog && slices.ContainsFunc(r.Head.Seen, func(t *pb.Tip) bool {
		log, ok := event.ToHash(t.GetLog())
		return ok && key == event.LogKey(log)
	})
}

func (in Input) carries() bool { return in.Rec != nil && in.Rec.Original() != in.Rec }

// ways are the records by which the input's record is held.
func (in *Input) ways() []*event.Record {
	if in.via == nil {
		return []*event.Record{in.Rec}
	}
	return in.via
}

// standing is the best that the record has by any of the ways in which it is held.
func (r *Rights) standing(in *Input) (best Standing) {
	for _, rec := range in.ways() {
		if st := r.Standing(rec); st.In && (!best.In || st.Entitled) {
			best = st
		}
	}
	return best
}

// asGiven lists those of the inputs by which the kept ones are held.
func asGiven(kept, inputs []Input) []Input {
	if !slices.ContainsFunc(kept, func(in Input) bool { return in.via != nil }) {
		return kept
	}
	ways := map[event.Hash]bool{}
	for i := range kept {
		for _, rec := range kept[i].ways() {
			ways[rec.Hash] = true
		}
	}
	return slices.DeleteFunc(distinctWritten(inputs), func(in Input) bool { return !ways[in.Rec.Hash] })
}
