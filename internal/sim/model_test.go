package sim

import (
	"bytes"
	"cmp"
	"maps"
	"slices"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store"
	pb "thawtrail/proto/thawtrail/v1"
)

// held is a set of records.
type held map[event.Hash]*event.Record

// seat is one place of a log.
type seat struct {
	log event.LogID
	seq uint64
}

// seats lists the records at every place.
func (h held) seats() map[seat][]*event.Record {
	out := make(map[seat][]*event.Record, len(h))
	for _, r := range h {
		at := seat{r.Log, r.Seq()}
		out[at] = append(out[at], r)
	}
	return out
}

// parent is the record before r, nil when it is not in the set.
func (h held) parent(r *event.Record) *event.Record {
	prev, _ := event.ToHash(r.Head.Prev)
	return h[prev]
}

// vouched is the part of the set that a signature in it vouches for: a signed
// record and all that lead to it.
func (h held) vouched() held {
	out := held{}
	for _, r := range h {
		if !r.Signed() {
			continue
		}
		for ; r != nil && out[r.Hash] == nil; r = h.parent(r) {
			out[r.Hash] = r
		}
	}
	return out
}

// whole is the part of the set that leads to the opening of its log without a gap.
func (h held) whole() held {
	out := held{}
	list := slices.Collect(maps.Values(h))
	slices.SortFunc(list, func(a, b *event.Record) int { return cmp.Compare(a.Seq(), b.Seq()) })
	for _, r := range list {
		if prev, _ := event.ToHash(r.Head.Prev); r.Seq() == 0 || out[prev] != nil {
			out[r.Hash] = r
		}
	}
	return out
}

func sorted(h held) []*event.Record {
	return slices.SortedFunc(maps.Values(h), func(a, b *event.Record) int {
		return cmp.Or(a.Log.Compare(b.Log), cmp.Compare(a.Seq(), b.Seq()), a.Hash.Compare(b.Hash))
	})
}

// check holds the laws that cost little against one node.
func (w *world) check(n *node) {
	if n.store == nil || n.sick || n.taker != nil && n.taker.sick {
		return
	}
	have := n.read()
	n.lookFor(have)
	for h, r := range n.acked {
		if have[h] == nil && !n.damagedAt(h) {
			w.fail("%s lost record %s of log %s, seq %d, which it had acknowledged", n.name, h.Short(), r.Log.Short(), r.Seq())
		}
	}
	if !n.unsettled() && n.taker == nil {
		n.checkTables(n.found)
	}
}

// damagedAt says that the frame of a record was damaged here, and it was not refilled yet.
func (n *node) damagedAt(h event.Hash) bool {
	_, hurt := n.hurt[h]
	return hurt
}

// told is what production code acknowledged since the journal was read last: tips
// to other devices, and runs that it took without a word against them.
type told struct {
	tips []exchange.LogTip
	runs []*pb.Run
}

// said notes tips that another device was told are held here.
func (n *node) said(tips []exchange.LogTip) { n.told.tips = append(n.told.tips, tips...) }

// took notes runs of a stream that were taken.
func (n *node) took(runs []*pb.Run) { n.told.runs = append(n.told.runs, runs...) }

func (n *node) ownTips() (out []exchange.LogTip) {
	for _, id := range n.store.OwnLogs() {
		if l, ok := n.store.Log(id); ok {
			out = append(out, exchange.LogTip{Log: id, Tip: l.Tip})
		}
	}
	return out
}

// lookFor sees that what was acknowledged is in the journal. A tip stands for all
// that leads to it.
func (n *node) lookFor(have held) {
	for _, t := range n.told.tips {
		r := have[t.Hash]
		if r == nil && !n.damagedAt(t.Hash) {
			n.w.fail("%s acknowledged log %s up to seq %d and does not hold it", n.name, t.Log.Short(), t.Seq)
		}
		for ; r != nil && n.acked[r.Hash] == nil; r = have.parent(r) {
			n.acked[r.Hash] = r
		}
	}
	for _, run := range n.told.runs {
		for _, b := range run.Records {
			if r, err := n.w.decode(b); err == nil && have[r.Hash] != nil && !n.unsettled() {
				n.acked[r.Hash] = have[r.Hash]
			}
		}
	}
	n.told = told{}
	for h := range n.hurt {
		if have[h] != nil {
			delete(n.hurt, h)
		}
	}
}

// checkTables compares what the store says it holds with what its journal holds.
func (n *node) checkTables(f *found) {
	told := n.store.Held()
	if len(told) < len(f.newest) {
		n.w.fail("%s says that it holds %d logs and holds %d", n.name, len(told), len(f.newest))
	}
	for _, h := range told {
		if !f.agreed[h.Log].same(h) {
			n.checkLog(h, f)
		}
	}
}

// asTold are the parts of what a store says of a log that are compared.
type asTold struct {
	tips []exchange.Tip
	gaps []exchange.SeqRange
	fork uint64
}

func (a *asTold) same(h exchange.HeldLog) bool {
	return a != nil && slices.Equal(a.tips, h.Tips) && slices.Equal(a.gaps, h.Missing) && a.fork == h.Fork
}

func (n *node) checkLog(h exchange.HeldLog, f *found) {
	var is asTold
	for seq := uint64(0); seq <= f.newest[h.Log]; seq++ {
		here := f.seats[seat{h.Log, seq}]
		if len(here) > 1 && is.fork == 0 {
			is.fork = seq
		}
		if n := len(is.gaps); len(here) == 0 && n > 0 && is.gaps[n-1].To+1 == seq {
			is.gaps[n-1].To = seq
		} else if len(here) == 0 {
			is.gaps = append(is.gaps, exchange.SeqRange{From: seq, To: seq})
		}
		for _, r := range here {
			if !followed(r, f.seats) {
				is.tips = append(is.tips, exchange.Tip{Seq: seq, Hash: r.Hash})
			}
		}
	}
	if len(n.hurt) > 0 || len(is.gaps) > 0 || n.bare(is.tips, f.held) {
		return // which of two branches a lost record was on, nobody can tell
	}
	if lost, ok := f.lostBeside(h.Log); ok { // nothing is claimed from there on
		is.tips = nil
		for _, r := range f.seats[seat{h.Log, lost - 1}] {
			is.tips = append(is.tips, exchange.Tip{Seq: lost - 1, Hash: r.Hash})
		}
	}
	slices.SortFunc(is.tips, func(a, b exchange.Tip) int { return cmp.Or(cmp.Compare(b.Seq, a.Seq), b.Hash.Compare(a.Hash)) })
	if !is.same(h) {
		n.w.fail("%s says of log %s: tips %v, missing %v, fork %d; its journal holds tips %v, missing %v, fork %d",
			n.name, h.Log.Short(), h.Tips, h.Missing, h.Fork, is.tips, is.gaps, is.fork)
	}
	f.agreed[h.Log] = &is
}

// lostBeside is the first place of a log at which a record is lost beside one that is held:
// what follows it is here.
func (f *found) lostBeside(log event.LogID) (seq uint64, ok bool) {
	for seq := uint64(1); seq < f.newest[log]; seq++ {
		for _, r := range f.seats[seat{log, seq + 1}] {
			if !slices.ContainsFunc(f.seats[seat{log, seq}], func(p *event.Record) bool { return bytes.Equal(r.Head.Prev, p.Hash[:]) }) {
				return seq, true
			}
		}
	}
	return 0, false
}

// bare says that no signature vouches for the end of a log: a write was torn.
func (n *node) bare(ends []exchange.Tip, have held) bool {
	if !slices.ContainsFunc(ends, func(t exchange.Tip) bool { return !have[t.Hash].Signed() }) {
		return false
	}
	n.w.count("bare")
	return true
}

func followed(r *event.Record, seats map[seat][]*event.Record) bool {
	return slices.ContainsFunc(seats[seat{r.Log, r.Seq() + 1}], func(c *event.Record) bool { return bytes.Equal(c.Head.Prev, r.Hash[:]) })
}

// fold is the naive twin of the store: a set, a sort and a fold.
func (h held) fold() map[event.Key]ledger.State {
	seats, said := h.seats(), make(map[event.Hash]proto.Message, len(h))
	for _, r := range h {
		said[r.Hash], _ = r.Payload()
	}
	touched := map[event.Key][]ledger.Input{}
	odd := h.odd(seats, said)
	for _, r := range h {
		forked := len(seats[seat{r.Log, r.Seq()}]) > 1
		in := ledger.Input{Rec: r, Payload: said[r.Hash], Entitled: true, Forked: forked}
		keys := r.Touches()
		if forked {
			keys = append(keys, event.LogKey(r.Log))
		}
		keys = append(keys, odd[r.Hash]...)
		slices.SortFunc(keys, event.Key.Compare)
		for _, k := range slices.Compact(keys) {
			touched[k] = append(touched[k], in)
		}
	}
	rights := ledger.FoldRights(touched[event.RightsKey])
	out := map[event.Key]ledger.State{}
	for k, inputs := range touched {
		if state := foldOne(k, inputs, rights); state != nil {
			out[k] = state
		}
	}
	return out
}

// odd finds the records that name a record of another log where only others are
// held, and those others: all of them concern that log.
func (h held) odd(seats map[seat][]*event.Record, said map[event.Hash]proto.Message) map[event.Hash][]event.Key {
	out := map[event.Hash][]event.Key{}
	for _, r := range h {
		for _, t := range named(r, said) {
			log, _ := event.ToHash(t.GetLog())
			here := seats[seat{log, t.GetSeq()}]
			if len(here) == 0 || slices.ContainsFunc(here, func(o *event.Record) bool { return bytes.Equal(o.Hash[:], t.GetHash()) }) {
				continue
			}
			for _, o := range append([]*event.Record{r}, here...) {
				out[o.Hash] = append(out[o.Hash], event.LogKey(log))
			}
		}
	}
	return out
}

// named are the records of other logs that a record names, and those that the record names
// which it carries.
func named(r *event.Record, said map[event.Hash]proto.Message) []*pb.Tip {
	tips := slices.Clone(r.Head.Seen)
	if p, ok := said[r.Hash].(*pb.HubStatement); ok {
		for _, a := range p.Accepted {
			tips = append(tips, a.Tip)
		}
	}
	tips = slices.DeleteFunc(tips, func(t *pb.Tip) bool { return bytes.Equal(t.GetLog(), r.Log[:]) })
	if o := r.Original(); o != r {
		payload, _ := o.Payload()
		tips = append(tips, named(o, map[event.Hash]proto.Message{o.Hash: payload})...)
	}
	return tips
}

func foldOne(k event.Key, inputs []ledger.Input, rights *ledger.Rights) ledger.State {
	if k == event.RightsKey {
		return rights
	}
	var in []ledger.Input
	for _, i := range inputs {
		st := rights.Standing(i.Rec)
		if i.Entitled = st.Entitled; st.In {
			in = append(in, i)
		}
	}
	return ledger.Fold(k, in)
}

func digest(states map[event.Key]ledger.State) event.Hash {
	return ledger.Digest(func(yield func(event.Key, []byte) bool) {
		for k, s := range states {
			b, err := ledger.Encode(s)
			if err != nil {
				panic(err)
			}
			if !yield(k, b) {
				return
			}
		}
	})
}

// checkFold compares the node's state with the fold of its records from scratch.
func (w *world) checkFold(n *node) {
	if n.store == nil || n.sick || n.index.Refuse != nil || n.unsettled() || len(n.hurt) > 0 {
		return
	}
	states := n.read().fold()
	n.sameAs(states, digest(states))
	w.count("folded from scratch")
}

// sameAs says which entity differs from the model, and how.
func (n *node) sameAs(want map[event.Key]ledger.State, sum event.Hash) {
	err := n.store.View(ctx, func(v *store.Snapshot) error {
		got, err := v.Digest()
		if err != nil || got == sum {
			return err
		}
		for k, s := range want {
			state, err := v.State(k)
			if err != nil {
				return err
			}
			a, _ := ledger.Encode(s)
			var b []byte
			if state != nil {
				b, _ = ledger.Encode(state)
			}
			if !bytes.Equal(a, b) {
				n.w.fail("%s: state of %s is not the fold of its records:\nwant %+v\ngot  %+v", n.name, k, s, state)
			}
		}
		return n.surplus(v, want)
	})
	if err != nil {
		n.w.fail("%s: view: %v", n.name, err)
	}
}

// surplus names an entity that has state and should have none.
func (n *node) surplus(v *store.Snapshot, want map[event.Key]ledger.State) error {
	for _, kind := range []string{event.KindBag, event.KindBatch, event.KindCase, event.KindDam, event.KindKit, event.KindTemperature,
		event.KindPerson, event.KindPractice, event.KindLog, event.KindRights} {
		err := v.Each(kind, func(s ledger.State) (bool, error) {
			if want[s.Key()] == nil {
				n.w.fail("%s: there is state of %s that follows from no record: %+v", n.name, s.Key(), s)
			}
			return true, nil
		})
		if err != nil {
			return err
		}
	}
	n.w.fail("%s: the digest differs and no entity does", n.name)
	return nil
}

// forks checks that every place of a log with two records is an open
// discrepancy, as far as the log is in the books.
func (w *world) forks(h held, states map[event.Key]ledger.State) {
	rights, _ := states[event.RightsKey].(*ledger.Rights)
	for at, list := range h.seats() {
		in := 0
		for _, r := range list {
			if rights.Standing(r).In {
				in++
			}
		}
		if in < 2 {
			continue
		}
		w.count("fork")
		state := states[event.LogKey(at.log)]
		open := slices.ContainsFunc(state.Discrepancies(), func(d ledger.Discrepancy) bool { return d.Kind == ledger.LogForked && d.Open })
		if l, ok := state.(*ledger.Log); !ok || !open || l.ForkSeq < 0 || uint64(l.ForkSeq) > at.seq {
			w.fail("log %s has %d records at seq %d and its state does not say so", at.log.Short(), len(list), at.seq)
		}
	}
}
