package store

import (
	"bytes"
	"context"
	"fmt"
	"slices"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store/projection"
	pb "thawtrail/proto/thawtrail/v1"
)

// RunResult is what became of one run of another replica.
type RunResult struct {
	Tip      exchange.LogTip   // of the log as it is held now
	Reached  exchange.LogTip   // the newest record of the run that is held; zero where none is
	Taken    int               // records that were new here
	Refused  *exchange.Refusal // what was not taken, or nil
	Accepted []*event.Record   // the new records
}

// Ingest verifies runs of other replicas and saves what holds. It returns when
// that is on the disk; what was refused is named and stops nothing else. A hold
// or recall that is new here is answered by a 'heard' record in the same write.
func (s *Store) Ingest(ctx context.Context, runs []*pb.Run) ([]RunResult, error) {
	return s.ingest(ctx, &write{runs: runs})
}

// IngestFrom is Ingest for what a laptop pushes: logs foreign to the practice are
// taken as far as there is room for them (foreign.go).
func (s *Store) IngestFrom(ctx context.Context, peer exchange.DeviceID, runs []*pb.Run) ([]RunResult, error) {
	if s.opt.StrangerBytes > 0 && s.anyUnknown(runs) {
		// Whom the practice took in may stand in records that are not folded yet.
		if err := s.CatchUp(ctx); err != nil {
			return nil, err
		}
	}
	return s.ingest(ctx, &write{runs: runs, peer: &peer})
}

func (s *Store) ingest(ctx context.Context, w *write) ([]RunResult, error) {
	if s.Behind() > maxBehind {
		if err := s.CatchUp(ctx); err != nil {
			return nil, err
		}
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	for _, run := range w.runs {
		if id, ok := event.ToHash(run.GetLog()); ok {
			s.gapsOf(id) // what is slow is looked up before the writer is held
		}
	}
	w.ahead, w.rank, w.bytes = s.checkAhead(w.runs), s.rankOf(w.runs), bytesOf(w.runs)
	w.done = make(chan struct{})
	s.submit(w)
	return w.results, w.err
}

// bytesOf counts the bytes of the records in runs.
func bytesOf(runs []*pb.Run) (n int) {
	for _, run := range runs {
		for _, wire := range run.GetRecords() {
			n += len(wire)
		}
	}
	return n
}

// maxBehind bounds what waits for the index, in records: a pusher that is
// faster than the fold waits for it.
const maxBehind = 200_000

// ingest takes runs, up to the first of which it cannot be told what is held here.
// What was taken before it is saved, and is known when it comes again.
func (p *pendingCommit) ingest(w *write) ([]RunResult, error) {
	out := make([]RunResult, 0, len(w.runs))
	for i := range w.runs {
		res, err := p.ingestRun(w, i)
		if err != nil {
			return nil, fmt.Errorf("not saved: %w", err)
		}
		out = append(out, res)
	}
	return out, nil
}

func (p *pendingCommit) ingestRun(w *write, i int) (RunResult, error) {
	run := w.runs[i]
	id, _ := event.ToHash(run.GetLog())
	c, ok := p.foundAhead(w, i, id)
	if !ok {
		var err error
		if c, err = p.check(run, id); err != nil {
			return RunResult{}, err
		}
	}
	if refused := p.room(run, &c, w.peer); refused != nil {
		c.Accept, c.Refused, c.Reached = nil, refused, exchange.Tip{}
	}
	for _, r := range c.Accept {
		if err := p.accept(r); err != nil {
			return RunResult{}, err
		}
	}
	res := RunResult{Taken: len(c.Accept), Refused: c.Refused, Accepted: c.Accept}
	if l, ok := p.log(id); ok {
		res.Tip = exchange.LogTip{Log: id, Tip: p.s.heldOf(l).Tip()}
		res.Reached = exchange.LogTip{Log: id, Tip: c.Reached}
	}
	return res, nil
}

// check verifies a run against what is held, this commit included.
func (p *pendingCommit) check(run *pb.Run, id event.LogID) (exchange.Checked, error) {
	held, _ := p.log(id)
	c, missing, err := p.s.check(run, id, held, func(seq uint64) ([]exchange.Point, error) { return p.at(id, seq) })
	if err == nil && missing && c.Refused != nil && c.Refused.Why == exchange.Detached {
		p.s.logs.tellPlainly(id)
	}
	return c, err
}

// accept takes a verified record of another device, or one of ours come back.
func (p *pendingCommit) accept(r *event.Record) error {
	l, ok := p.log(r.Log)
	if !ok {
		if l, ok = projection.OpenedLog(r); !ok {
			return nil
		}
		p.logs[r.Log] = l
	}
	newest, branches := l.Newest(), len(l.Branches)
	if err := p.take(l, r); err != nil {
		return err
	}
	if l.Key.Equal(p.s.public) {
		if p.isOwn(r.Log) && (r.Seq() > newest || len(l.Branches) > branches) {
			p.beyond = fmt.Sprintf("record %d of log %s, which this device writes, came from elsewhere: it was lost from this disk, or a copy of the folder writes too", r.Seq(), r.Log.Short())
		}
		return nil
	}
	p.seen[r.Log] = l.Tip
	switch said := r.Original(); said.Head.Type {
	case event.TypeHubStatement:
		p.hearHub(l, said)
	case event.TypeBatchHeld, event.TypeBatchRecalled:
		p.hear(said)
	}
	return nil
}

// hearHub takes a statement of the practice's server as evidence of the time, and
// of what this device wrote. Other laptops can write such records; they are none.
func (p *pendingCommit) hearHub(l *LogInfo, r *event.Record) {
	m, err := r.Payload()
	if err != nil || !p.s.byServer(p.rights, l) {
		return
	}
	said := m.(*pb.HubStatement)
	p.hubUs = max(p.hubUs, said.WallUs)
	for _, a := range said.Accepted {
		t, err := exchange.TipFromPB(a.GetTip())
		if err != nil || !p.isOwn(t.Log) {
			continue
		}
		if own, ok := p.log(t.Log); ok && t.Seq > own.Newest() {
			p.beyond = fmt.Sprintf("the server states record %d of this laptop's log %s, which ends at %d here: the server is wrong, or records were lost from this disk", t.Seq, t.Log.Short(), own.Newest())
		}
	}
}

// isOwn says that this device writes the log now.
func (p *pendingCommit) isOwn(log event.LogID) bool {
	return log == p.own[pb.Lane_LANE_ORDINARY] || log == p.own[pb.Lane_LANE_URGENT]
}

// byServer says that the practice's server writes the log, or one that it
// replaced. On a laptop that belongs to no practice any will do.
func (s *Store) byServer(rights *ledger.Rights, l *LogInfo) bool {
	if !rights.Founded() || len(rights.Servers) == 0 {
		return s.opt.Founding.IsZero()
	}
	return slices.ContainsFunc(rights.Servers, func(id []byte) bool { return bytes.Equal(id, l.Device()) })
}

// batchOf is what a hold and a recall have in common.
type batchOf interface {
	GetProduct() string
	GetBatch() string
}

// hear writes down that a hold or recall has reached this device, before anyone
// sees it: this is what later answers 'could they have known'.
func (p *pendingCommit) hear(r *event.Record) {
	m, err := r.Payload()
	if err != nil {
		return
	}
	b := m.(batchOf)
	// The previous record's wall clock bounds from below when the hold came.
	draft := Draft{Type: event.TypeHeard, Payload: &pb.Heard{
		Product: b.GetProduct(), Batch: b.GetBatch(), Hold: r.Hash[:], PreviousWallUs: p.wallUs,
	}}
	if payload, err := marshal(draft.Payload); err == nil {
		// A failure here means a broken own log; the hold itself must still be saved.
		_, _ = p.author(draft, payload)
	}
}

// at lists the records of a log at one seq: in this commit or held.
func (p *pendingCommit) at(id event.LogID, seq uint64) (out []exchange.Point, err error) {
	for i := len(p.recs) - 1; i >= 0; i-- {
		if r := p.recs[i]; r.Log == id && r.Head.Seq == seq {
			out = append(out, exchange.PointOf(r))
		}
	}
	held, err := p.s.heldAt(id, seq)
	return append(out, held...), err
}

func marshal(m proto.Message) ([]byte, error) {
	return proto.MarshalOptions{Deterministic: true}.Marshal(m)
}
