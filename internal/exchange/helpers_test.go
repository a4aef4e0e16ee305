package exchange

import (
	"bytes"
	"cmp"
	"crypto/ed25519"
	"crypto/sha256"
	"fmt"
	"slices"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	pb "thawtrail/proto/thawtrail/v1"
)

// author writes one log with a real key. signEvery spaces its signatures.
type author struct {
	key       ed25519.PrivateKey
	lane      pb.Lane
	log       event.LogID
	seq       uint64
	hash      event.Hash
	hlcUs     int64
	signEvery uint64
}

func (a *author) public() ed25519.PublicKey { return a.key.Public().(ed25519.PublicKey) }

func (a *author) sign(m []byte) []byte { return ed25519.Sign(a.key, m) }

// newAuthor opens a log; the number makes the key.
func newAuthor(n int, lane pb.Lane, signEvery uint64) (*author, *event.Record) {
	seed := sha256.Sum256(fmt.Appendf(nil, "device %d", n))
	a := &author{key: ed25519.NewKeyFromSeed(seed[:]), lane: lane, signEvery: signEvery, hlcUs: 1_000_000}
	payload := must(proto.Marshal(&pb.LogOpened{PublicKey: a.public(), Lane: lane, DeviceName: fmt.Sprint("laptop ", n)}))
	rec := must(event.Seal(&pb.Header{Type: event.TypeLogOpened, HlcUs: a.hlcUs}, payload, a.sign))
	a.log, a.hash = rec.Log, rec.Hash
	return a, rec
}

// twin is the same key on a second machine, at the same place.
func (a *author) twin() *author { b := *a; b.hlcUs += 7; return &b }

// write seals the next record; salt makes its payload.
func (a *author) write(salt string) *event.Record {
	a.hlcUs += 10
	head := &pb.Header{Log: a.log[:], Seq: a.seq + 1, Prev: a.hash[:], HlcUs: a.hlcUs, WallUs: a.hlcUs,
		Boot: []byte("bootboot"), Entities: []*pb.EntityKey{{Kind: "bag", Id: "7K2M9QAAC"}}, Type: 22,
		OccurredAt: &pb.Moment{UnixMs: a.hlcUs / 1000, Zone: "Europe/London"}, Author: "p-123"}
	sign := a.sign
	if head.Seq%a.signEvery != 0 {
		sign = nil
	}
	rec := must(event.Seal(head, must(proto.Marshal(&pb.Header{RequestId: salt})), sign))
	a.seq, a.hash = head.Seq, rec.Hash
	return rec
}

// commit writes n records of which the last is signed.
func (a *author) commit(n int, salt string) []*event.Record {
	a.signEvery = a.seq + uint64(n)
	return a.writeN(n, salt)
}

// writeN writes n records.
func (a *author) writeN(n int, salt string) []*event.Record {
	out := make([]*event.Record, n)
	for i := range out {
		out[i] = a.write(salt)
	}
	return out
}

// chain is a log of n records after its opening one.
func chain(n int, signEvery uint64) (*author, []*event.Record) {
	a, first := newAuthor(1, pb.Lane_LANE_ORDINARY, signEvery)
	return a, append([]*event.Record{first}, a.writeN(n, "chain")...)
}

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

// runOf makes a run of records as they stand.
func runOf(recs ...*event.Record) *pb.Run {
	run := &pb.Run{Log: bytes.Clone(recs[0].Log[:]), From: recs[0].Seq()}
	for _, r := range recs {
		run.Records = append(run.Records, r.Wire())
	}
	return run
}

// replica is the smallest honest store: records by log and place.
type replica struct {
	logs map[event.LogID]*replicaLog
}

type replicaLog struct {
	state LogState
	recs  []*event.Record // ordered by (seq, hash)
}

func newReplica() *replica { return &replica{logs: map[event.LogID]*replicaLog{}} }

func (l *replicaLog) at(seq uint64) (out []Point) {
	i, _ := slices.BinarySearchFunc(l.recs, seq, func(r *event.Record, s uint64) int { return cmp.Compare(r.Seq(), s) })
	for ; i < len(l.recs) && l.recs[i].Seq() == seq; i++ {
		prev, _ := event.ToHash(l.recs[i].Head.Prev)
		out = append(out, Point{Hash: l.recs[i].Hash, Prev: prev, HlcUs: l.recs[i].Head.HlcUs})
	}
	return out
}

// state is what Check is told of a log.
func (r *replica) state(log event.LogID) LogState {
	if l := r.logs[log]; l != nil {
		s := l.state
		s.At = l.at
		return s
	}
	return LogState{HeldLog: HeldLog{Log: log}}
}

// has answers whether a record is held.
func (r *replica) has(log event.LogID, at Tip) bool {
	l := r.logs[log]
	return l != nil && slices.ContainsFunc(l.at(at.Seq), func(p Point) bool { return p.Hash == at.Hash })
}

// receive checks a run and appends what was accepted.
func (r *replica) receive(t require.TestingT, run *pb.Run) Checked {
	log, _ := event.ToHash(run.Log)
	c := Check(run, r.state(log))
	if len(c.Accept) == 0 {
		return c
	}
	l := r.logs[log]
	if l == nil {
		l = &replicaLog{}
		r.logs[log] = l
	}
	l.state = c.State
	for _, rec := range c.Accept {
		if rec.Signed() {
			require.NoError(t, rec.Verify(c.State.PublicKey), "a kept signature was verified")
		}
		l.recs = append(l.recs, rec)
	}
	l.sort()
	return c
}

func (l *replicaLog) sort() {
	slices.SortFunc(l.recs, func(a, b *event.Record) int {
		return cmp.Or(cmp.Compare(a.Seq(), b.Seq()), a.Hash.Compare(b.Hash))
	})
}

// held lists what is held, ordered by log.
func (r *replica) held() []HeldLog {
	out := make([]HeldLog, 0, len(r.logs))
	for _, l := range r.logs {
		out = append(out, l.state.HeldLog)
	}
	slices.SortFunc(out, func(a, b HeldLog) int { return a.Log.Compare(b.Log) })
	return out
}

// all lists every hash held, sorted.
func (r *replica) all() []event.Hash {
	var out []event.Hash
	for _, l := range r.logs {
		for _, rec := range l.recs {
			out = append(out, rec.Hash)
		}
	}
	slices.SortFunc(out, event.Hash.Compare)
	return out
}

// drop damages a stretch of one log.
func (r *replica) drop(log event.LogID, from, to uint64) {
	l := r.logs[log]
	l.recs = slices.DeleteFunc(l.recs, func(rec *event.Record) bool { return from <= rec.Seq() && rec.Seq() <= to })
	l.state.Missing = append(l.state.Missing, SeqRange{from, to})
}

// read lists the records of a log from a place on.
func (r *replica) read(log event.LogID, from uint64) []*event.Record {
	l := r.logs[log]
	i, _ := slices.BinarySearchFunc(l.recs, from, func(r *event.Record, s uint64) int { return cmp.Compare(r.Seq(), s) })
	return l.recs[i:]
}
