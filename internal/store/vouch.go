package store

import (
	"cmp"
	"maps"
	"slices"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/store/projection"
)

// A replica keeps few of the signatures that it verified, and each vouches for all
// that leads to it. When damage or an unfinished write takes a signed record away,
// what led to it is still here, and nobody would take it from here: it is bare.
// Others are told of it as missing, so that whoever can vouch for it sends it again.

// bareLink is a record for which no signature was met yet.
type bareLink struct {
	seq  uint64
	prev event.Hash
}

// vouching follows a log in the order of its places and keeps what is bare. As a
// signature comes with every 64 KiB, that is little.
type vouching map[event.Hash]bareLink

// take takes the next record.
func (v vouching) take(r *event.Record) {
	prev, _ := event.ToHash(r.Head.Prev)
	if !r.Signed() {
		v[r.Hash] = bareLink{r.Head.Seq, prev}
		return
	}
	for l, bare := v[prev]; bare; l, bare = v[prev] {
		delete(v, prev)
		prev = l.prev
	}
}

// unvouched enters into the gaps what is bare. Its place in the log is enough to
// name it, unless a record that is vouched for stands beside it: then its end is
// told as lost, and who holds that branch sends it again from where the log forks.
func (g *gaps) unvouched(v vouching, places []projection.Place, tips []exchange.Tip) {
	if g.bare = v; len(v) == 0 {
		return
	}
	at := map[uint64]int{}
	for _, l := range v {
		at[l.seq]++
		g.gone(l.seq)
	}
	beside := false
	for _, p := range places {
		n, bare := at[p.Seq]
		beside = beside || bare && n == 0
		if bare {
			at[p.Seq]--
		}
	}
	ends := slices.DeleteFunc(slices.Clone(tips), func(t exchange.Tip) bool { _, bare := v[t.Hash]; return !bare })
	if beside && len(ends)+len(g.lost) < len(tips) {
		g.lost = append(g.lost, ends...)
		return
	}
	var bare []exchange.SeqRange
	for _, seq := range slices.Sorted(maps.Keys(at)) {
		bare = append(bare, exchange.SeqRange{From: seq, To: seq})
	}
	// Not joined with what is lost beside it: one that has only that can give it.
	g.missing = append(g.missing, exchange.Joined(bare)...)
	slices.SortFunc(g.missing, func(a, b exchange.SeqRange) int { return cmp.Compare(a.From, b.From) })
	g.missing = g.missing[:min(len(g.missing), exchange.MaxMissing)]
}

// has says that the record is bare.
func (v vouching) has(r *event.Record) bool {
	_, bare := v[r.Hash]
	return bare
}
