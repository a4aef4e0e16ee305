package ledger

import (
	"bytes"
	"maps"
	"slices"

	"thawtrail/internal/event"
	pb "thawtrail/proto/thawtrail/v1"
)

// A log is spoken of for as long as the practice lives: by every statement of the
// server that it moved, by every record that a wrong clock wrote. Its state rests
// on few of them. prune leaves out the rest, so that a log costs the same in its
// tenth year as in its first week:
//
//	what people said of the log, its opening,
//	what was lost of it, and copies that were met  all
//	statements                  the newest, and in each epoch the farthest
//	a clock in doubt            the first few and the last few
//	without the right, unread   the first few of the log's own and of those that name it
//	a fork                      the records where it begins
//	words that do not fit       the first few about the lowest place
//
// The rule that lets a store forget what was left out, under any order of arrival:
//
//	prune(prune(A) + B) == prune(A + B)
//
// So each line picks by an order that no later record changes.
const (
	keptDoubts = 8  // of each end
	keptFlawed = 8  // not entitled, unread or of a newer version
	keptEpochs = 16 // those with the smallest names; a practice's life has a few
	keptForked = 16
	keptWords  = 4
)

// Prune leaves out, of the records that touch an entity, those on which its state
// does not rest. The result is in written order, each record once. What may be
// forgotten comes back to count only when rights change.
func Prune(key event.Key, inputs []Input) []Input {
	return asGiven(prune(key, distinctWritten(originals(key, inputs))), inputs)
}

// Prunes says that entities of this kind are pruned.
func Prunes(kind string) bool { return kind == event.KindLog }

func prune(key event.Key, sorted []Input) []Input {
	if !Prunes(key.Kind) {
		return sorted
	}
	log, ok := event.ParseHash(key.ID)
	if !ok || event.LogKey(log) != key {
		return sorted
	}
	t := pruner{key: key, log: log, inputs: sorted, keep: make([]bool, len(sorted))}
	t.spokenOf()
	t.statements()
	t.ends(keptDoubts, t.doubtful)
	t.first(keptFlawed, t.flawed)
	fork := t.forks()
	t.words(fork)
	out := make([]Input, 0, len(sorted))
	for i, in := range sorted {
		if t.keep[i] {
			out = append(out, in)
		}
	}
	return out
}

// pruner decides which records of one log's entity stay.
type pruner struct {
	key    event.Key
	log    event.LogID
	inputs []Input // written order
	keep   []bool
}

func (t *pruner) first(n int, of func(*Input) bool) {
	for i := range t.inputs {
		if n > 0 && of(&t.inputs[i]) {
			t.keep[i] = true
			n--
		}
	}
}

// ends keeps the first n and the last n.
func (t *pruner) ends(n int, of func(*Input) bool) {
	t.first(n, of)
	for i := len(t.inputs) - 1; i >= 0 && n > 0; i-- {
		if of(&t.inputs[i]) {
			t.keep[i] = true
			n--
		}
	}
}

func (t *pruner) own(in *Input) bool { return in.Rec.Log == t.log }

// spokenOf keeps the opening, and what people said of the log.
func (t *pruner) spokenOf() {
	for i := range t.inputs {
		in := &t.inputs[i]
		switch {
		case in.Rec.Head.Type == event.TypeHubStatement || !in.Entitled || in.Payload == nil:
		case in.Rec.Head.Type == event.TypeLogOpened:
			t.keep[i] = t.own(in)
		default:
			t.keep[i] = t.names(in)
		}
	}
}

// names says that a record lists the log among the entities that it is about.
func (t *pruner) names(in *Input) bool {
	return slices.ContainsFunc(in.Rec.Head.Entities, func(e *pb.EntityKey) bool {
		return e.GetKind() == t.key.Kind && e.GetId() == t.key.ID
	})
}

// flawed says that a record is told of as a whole. One that came here by a word
// that did not fit, and is neither of the log nor about it, is told of by that
// word alone: the word fits for whoever holds the branch that it names.
func (t *pruner) flawed(in *Input) bool {
	return (t.own(in) || t.names(in)) && (in.flaw() != FlawNone || !in.Entitled)
}

// doubtful says that the record's clock, or a clock of which it speaks, is in
// doubt.
func (t *pruner) doubtful(in *Input) bool {
	if said, ok := saidOf(t.log, in); ok && said.ahead() {
		return true
	}
	return t.own(in) && in.Rec.TimeInDoubt()
}

// statements keeps the newest one, and in each epoch the one that went farthest.
func (t *pruner) statements() {
	newest := -1
	farthest := map[string]int{}
	seqs := map[string]uint64{}
	for i := range t.inputs {
		said, ok := saidOf(t.log, &t.inputs[i])
		if !ok {
			continue
		}
		newest = i
		epoch := string(said.by.HubEpoch)
		if _, known := farthest[epoch]; !known || said.tip.Seq > seqs[epoch] {
			farthest[epoch], seqs[epoch] = i, said.tip.Seq
		}
	}
	if newest >= 0 {
		t.keep[newest] = true
	}
	epochs := slices.Sorted(maps.Keys(farthest))
	for _, e := range epochs[:min(len(epochs), keptEpochs)] {
		t.keep[farthest[e]] = true
	}
}

// forks keeps the records where the log forks first and gives that place; -1 for
// none.
func (t *pruner) forks() int64 {
	at := forkOf(t.log, t.inputs)
	t.first(keptForked, func(in *Input) bool { return in.Forked && t.own(in) && seqOf(in.Rec) == at })
	return at
}

// words keeps what does not fit with the log at the lowest place, with what
// stands there.
func (t *pruner) words(fork int64) {
	w := wordsOf(t.log, t.inputs, fork)
	if len(w) == 0 {
		return
	}
	for _, at := range w[:min(len(w), keptWords)] {
		t.keep[at.index] = true
	}
	t.first(keptForked, func(in *Input) bool { return t.own(in) && in.Rec.Seq() == w[0].tip.Seq })
}

// said is what one statement of the server says of a log.
type said struct {
	by       *pb.HubStatement
	tip      LogTip
	newestUs int64
}

// ahead says that a record came from a clock ahead of the server's.
func (s said) ahead() bool { return s.newestUs > s.by.WallUs+event.DoubtAfter.Microseconds() }

// saidOf reads what a record, when it is a statement of the server, says of a log.
// A statement by anybody else says nothing.
func saidOf(log event.LogID, in *Input) (out said, ok bool) {
	p, is := in.Payload.(*pb.HubStatement)
	if !is || !in.Entitled {
		return said{}, false
	}
	for _, a := range p.Accepted {
		if bytes.Equal(a.GetTip().GetLog(), log[:]) {
			out, ok = said{p, tipOf(a.Tip), a.GetNewestWallUs()}, true
		}
	}
	return out, ok
}

// forkOf is the lowest place at which the log has two records; -1 for none.
func forkOf(log event.LogID, inputs []Input) int64 {
	at := int64(-1)
	for i := range inputs {
		in := &inputs[i]
		if seq := seqOf(in.Rec); in.Forked && in.Rec.Log == log && (at < 0 || seq < at) {
			at = seq
		}
	}
	return at
}

func seqOf(r *event.Record) int64 { return int64(min(r.Seq(), all)) }

// word is the name of a record of this log, in a record of another log, at a
// place where something else is held.
type word struct {
	index  int // among the inputs
	tip    LogTip
	stated bool // by the server, as what it had accepted
}

// wordsOf finds the words that do not fit, at the lowest place that has any, in
// written order. From a fork on they are no news: the log has two stories itself.
func wordsOf(log event.LogID, inputs []Input, fork int64) (out []word) {
	held := map[uint64][]event.Hash{}
	for i := range inputs {
		if r := inputs[i].Rec; r.Log == log {
			held[r.Seq()] = append(held[r.Seq()], r.Hash)
		}
	}
	for i := range inputs {
		in := &inputs[i]
		if in.Rec.Log == log {
			continue
		}
		w, ok := wordOf(log, in, func(tip LogTip) bool {
			here := held[tip.Seq]
			return len(here) > 0 && !slices.Contains(here, tip.Hash) && (fork < 0 || tip.Seq < uint64(fork))
		})
		if !ok || len(out) > 0 && w.tip.Seq > out[0].tip.Seq {
			continue
		}
		if len(out) > 0 && w.tip.Seq < out[0].tip.Seq {
			out = out[:0]
		}
		w.index = i
		out = append(out, w)
	}
	return out
}

// wordOf is the lowest word of one record that does not fit.
func wordOf(log event.LogID, in *Input, odd func(LogTip) bool) (w word, ok bool) {
	take := func(tip LogTip, stated bool) {
		if odd(tip) && (!ok || tip.Seq < w.tip.Seq) {
			w, ok = word{tip: tip, stated: stated}, true
		}
	}
	if s, is := saidOf(log, in); is {
		take(s.tip, true)
	}
	for _, m := range in.Rec.Head.Seen {
		if bytes.Equal(m.GetLog(), log[:]) {
			take(tipOf(m), false)
		}
	}
	return w, ok
}

// wentBack finds a statement that went farther than the newest one of its epoch.
func wentBack(log event.LogID, inputs []Input) (before, newest *Input) {
	var last said
	for i := range inputs {
		if s, ok := saidOf(log, &inputs[i]); ok {
			last, newest = s, &inputs[i]
		}
	}
	for i := range inputs {
		s, ok := saidOf(log, &inputs[i])
		if ok && bytes.Equal(s.by.HubEpoch, last.by.HubEpoch) && s.tip.Seq > last.tip.Seq {
			return &inputs[i], newest
		}
	}
	return nil, nil
}
