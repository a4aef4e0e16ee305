package exchange

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"thawtrail/internal/event"
	"thawtrail/internal/testrun"
	pb "thawtrail/proto/thawtrail/v1"
)

// world is a few replicas, the authors that write on them, and the link.
type world struct {
	t        *rapid.T
	replicas []*replica
	authors  []*author
	homes    []int // where each author writes
	old      []*pb.Run
	sends    int
}

func newWorld(t *rapid.T) *world {
	w := &world{t: t}
	for range rapid.IntRange(2, 3).Draw(t, "replicas") {
		w.replicas = append(w.replicas, newReplica())
	}
	for i := range rapid.IntRange(1, 3).Draw(t, "authors") {
		a, first := newAuthor(i, pb.Lane(1+i%2), 1)
		w.authors = append(w.authors, a)
		w.homes = append(w.homes, i%len(w.replicas))
		w.replicas[w.homes[i]].receive(t, runOf(first))
	}
	return w
}

// write commits a few records on an author's home.
func (w *world) write() {
	i := rapid.IntRange(0, len(w.authors)-1).Draw(w.t, "author")
	n := rapid.IntRange(1, 12).Draw(w.t, "records")
	salt := strings.Repeat("x", rapid.SampledFrom([]int{1, 100, 9000}).Draw(w.t, "size"))
	recs := w.authors[i].commit(n, fmt.Sprint(i, w.homes[i], salt))
	require.Nil(w.t, w.replicas[w.homes[i]].receive(w.t, runOf(recs...)).Refused)
}

// clone starts the key of an author on another replica that holds its log whole.
func (w *world) clone() {
	i := rapid.IntRange(0, len(w.authors)-1).Draw(w.t, "cloned")
	to := rapid.IntRange(0, len(w.replicas)-1).Draw(w.t, "onto")
	if to != w.homes[i] && len(w.authors) < 5 && w.replicas[to].has(w.authors[i].log, Tip{w.authors[i].seq, w.authors[i].hash}) {
		w.authors = append(w.authors, w.authors[i].twin())
		w.homes = append(w.homes, to)
	}
}

// session lets one side push to another over a link that does what it likes.
func (w *world) session(from, to *replica, lossy bool) {
	theirs, err := HeldFromPB(HeldPB(to.held()))
	require.NoError(w.t, err)
	p := NewPusher(from.held(), theirs, from.has)
	for limit := 0; ; limit++ {
		send, ok := p.Next()
		if !ok {
			break
		}
		require.Less(w.t, limit, 400, "a session ends")
		recs, next := CutRun(from.read(send.Log, send.From), send.MaxBytes)
		if len(recs) == 0 {
			p.Unable()
			continue
		}
		w.sends++
		if !w.carry(p, to, runOf(recs...), next, lossy) {
			return
		}
	}
	if !lossy {
		require.Empty(w.t, p.Aside())
	}
}

// carry brings one run over, or not; it is false when the session ends there.
func (w *world) carry(p *Pusher, to *replica, run *pb.Run, next uint64, lossy bool) bool {
	require.LessOrEqual(w.t, proto.Size(run), MaxRunBytes+64)
	fate := "whole"
	if lossy {
		fate = rapid.SampledFrom([]string{"whole", "whole", "lost", "answer lost", "twice", "an old one first", "cut short", "end"}).Draw(w.t, "fate")
	}
	w.old = append(w.old, run)
	switch fate {
	case "lost":
		p.Failed()
		return true
	case "answer lost":
		to.receive(w.t, run)
		p.Failed()
		return true
	case "twice":
		to.receive(w.t, run)
	case "an old one first":
		to.receive(w.t, rapid.SampledFrom(w.old).Draw(w.t, "old"))
	case "cut short":
		run = proto.Clone(run).(*pb.Run)
		run.Records = run.Records[:rapid.IntRange(0, len(run.Records)).Draw(w.t, "left")]
	case "end":
		return false
	}
	log, _ := event.ToHash(run.Log)
	var refused []*Refusal
	if r := to.receive(w.t, run).Refused; r != nil {
		refused = append(refused, must(RefusalFromPB(r.PB())))
	}
	var accepted []LogTip
	for _, tip := range to.state(log).Tips {
		accepted = append(accepted, LogTip{log, tip})
	}
	p.Acked(next, accepted, refused)
	return true
}

// settle runs whole sessions between all pairs until nothing more is sent.
func (w *world) settle() (rounds int) {
	for {
		before := w.sends
		for i, a := range w.replicas {
			for j, b := range w.replicas {
				if i != j {
					w.session(a, b, false)
				}
			}
		}
		if rounds++; w.sends == before {
			return rounds
		}
		require.Less(w.t, rounds, 10, "replicas settle")
	}
}

func (w *world) requireEqual(want []event.Hash) {
	for i, r := range w.replicas {
		require.Equal(w.t, want, r.all(), "replica %d", i)
		require.Equal(w.t, w.replicas[0].held(), r.held(), "replica %d", i)
	}
}

func (w *world) union() []event.Hash {
	var out []event.Hash
	for _, r := range w.replicas {
		out = append(out, r.all()...)
	}
	slices.SortFunc(out, event.Hash.Compare)
	return slices.Compact(out)
}

// Replicas that write, fork and meet over a link that loses, doubles, reorders
// and cuts come to hold the union, in a few rounds once the link is whole.
func TestReplicasConverge(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		w := newWorld(t)
		t.Repeat(map[string]func(*rapid.T){
			"write": func(*rapid.T) { w.write() },
			"clone": func(*rapid.T) { w.clone() },
			"meet": func(t *rapid.T) {
				w.session(rapid.SampledFrom(w.replicas).Draw(t, "from"), rapid.SampledFrom(w.replicas).Draw(t, "to"), true)
			},
		})
		want := w.union()
		require.LessOrEqual(t, w.settle(), 4)
		w.requireEqual(want)
		sends := w.sends
		w.settle()
		require.Equal(t, sends, w.sends, "nothing is sent again between equals")
	})
}

// What damage took from one replica comes back from another.
func TestDamageIsRefilled(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		w := newWorld(t)
		for range 6 {
			w.write()
		}
		w.settle()
		want := w.union()
		r := w.replicas[0]
		for _, h := range r.held() {
			if h.Tip().Seq < 3 {
				continue
			}
			from := rapid.Uint64Range(1, h.Tip().Seq-2).Draw(t, "from")
			r.drop(h.Log, from, rapid.Uint64Range(from, h.Tip().Seq-1).Draw(t, "to"))
		}
		require.LessOrEqual(t, w.settle(), 3)
		w.requireEqual(want)
	})
}
