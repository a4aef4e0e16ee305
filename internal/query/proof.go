package query

import (
	"context"
	"fmt"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/proof"
	"thawtrail/internal/refusal"
	"thawtrail/internal/store"
	pb "thawtrail/proto/thawtrail/v1"
)

// MakeProof shows one record with its chain to the earliest statement of the
// server that covers it, as far as it is held here.
func (s Reader) MakeProof(ctx context.Context, req *pb.MakeProofRequest) (*pb.MakeProofResponse, error) {
	out := &pb.MakeProofResponse{Proof: &pb.Proof{}}
	err := s.View(ctx, func(b *ReadView) error {
		hash, err := b.Record("record", req.Record)
		if err != nil {
			return err
		}
		r, err := s.FindRecord("record", hash)
		if err != nil {
			return err
		}
		at, tip, err := b.statementOver(ctx, r)
		if err != nil {
			return err
		}
		if out.Proof.Statement, err = b.piece(ctx, at.Log, at.Seq, at.Seq); err != nil {
			return err
		}
		out.Proof.Shown, err = b.piece(ctx, r.Log, r.Seq(), tip.Seq)
		return err
	})
	if err != nil {
		return nil, err
	}
	if _, err := proof.Verify(out.Proof); err != nil {
		return nil, refusal.Fail(refusal.ErrUnready, "no proof of this record can be made here: %v", err)
	}
	return out, nil
}

// statementOver finds the earliest statement that names a record at or after r
// in its log: the statement's place, and the record that it names.
func (b *ReadView) statementOver(ctx context.Context, r *event.Record) (at exchange.LogTip, tip exchange.Tip, err error) {
	rights, err := b.Rights()
	if err != nil {
		return at, tip, err
	}
	for _, l := range b.r.Store.Logs() {
		if !rights.WasServer(l.Device()) {
			continue
		}
		err := b.eachRecord(ctx, l.ID, 0, func(h *event.Record) (bool, error) {
			named, ok := namedIn(h, r)
			if !ok {
				return true, nil
			}
			if at.Log.IsZero() || named.Seq < tip.Seq {
				at, tip = exchange.LogTip{Log: h.Log, Tip: exchange.Tip{Seq: h.Seq(), Hash: h.Hash}}, named
			}
			return false, nil // later ones of this log name later records
		})
		if err != nil {
			return at, tip, err
		}
	}
	if at.Log.IsZero() {
		err = refusal.Fail(refusal.ErrUnready, "no statement of the clinic's server covers this record yet; one is made after the record has reached the server")
	}
	return at, tip, err
}

// namedIn finds the record at or after r in its log that h, when it is a
// statement, names.
func namedIn(h, r *event.Record) (exchange.Tip, bool) {
	if h.Head.Type != event.TypeHubStatement {
		return exchange.Tip{}, false
	}
	payload, err := h.Payload()
	m, ok := payload.(*pb.HubStatement)
	if err != nil || !ok {
		return exchange.Tip{}, false
	}
	for _, a := range m.Accepted {
		if t, err := exchange.TipFromPB(a.GetTip()); err == nil && t.Log == r.Log && t.Seq >= r.Seq() {
			return t.Tip, true
		}
	}
	return exchange.Tip{}, false
}

// eachRecord hands on the records of a log from a seq on, until fn says stop.
func (b *ReadView) eachRecord(ctx context.Context, log event.LogID, from uint64, fn func(*event.Record) (bool, error)) error {
	for {
		run, next, err := b.r.Store.ReadRun(ctx, log, from, exchange.MaxBatchBytes)
		if err != nil || run == nil {
			return err
		}
		for _, wire := range run.Records {
			r, err := event.Decode(wire)
			if err != nil {
				return err
			}
			if more, err := fn(r); err != nil || !more {
				return err
			}
		}
		if info, ok := b.r.Store.Log(log); !ok || next > info.Tip.Seq {
			return nil
		}
		from = next
	}
}

// piece is the record at one place with its chain past another place, to the
// next signature.
func (b *ReadView) piece(ctx context.Context, log event.LogID, seq, past uint64) (*pb.ProofPiece, error) {
	p := &pb.ProofPiece{}
	err := b.eachRecord(ctx, log, 0, func(r *event.Record) (bool, error) {
		p.Opening = r.Wire()
		return false, nil
	})
	if err != nil {
		return nil, err
	}
	var end event.Hash
	err = b.eachRecord(ctx, log, seq, func(r *event.Record) (bool, error) {
		switch {
		case p.Record == nil && r.Seq() == seq:
			p.Record = r.Wire()
		case p.Record != nil && string(r.Head.Prev) == string(end[:]): // the other branch of a fork is left out
			p.Links = append(p.Links, r.Raw.Header)
		default:
			return true, nil
		}
		end, p.Signature = r.Hash, r.Raw.Signature
		return r.Seq() < past || !r.Signed(), nil
	})
	if err == nil && (p.Record == nil || len(p.Signature) == 0) {
		err = fmt.Errorf("log %s: %w", log.Short(), store.ErrNotFound)
	}
	return p, err
}

// CompareProof holds the statement in a proof against the one that is held here
// at its place. A server that tells two laptops different stories has made two.
func (s Reader) CompareProof(ctx context.Context, req *pb.CompareProofRequest) (*pb.CompareProofResponse, error) {
	shown, err := proof.Verify(req.GetProof())
	if err != nil {
		return nil, err
	}
	out := &pb.CompareProofResponse{Match: pb.StatementMatch_STATEMENT_MATCH_UNKNOWN, Text: "This replica has not heard of the statement in the proof yet."}
	err = s.View(ctx, func(b *ReadView) error {
		at := shown.StatementAt
		if info, ok := s.Store.Log(at.Log); !ok || info.Tip.Seq < at.Seq {
			return nil
		}
		return b.eachRecord(ctx, at.Log, at.Seq, func(r *event.Record) (bool, error) {
			switch {
			case r.Seq() > at.Seq:
				return false, nil
			case r.Hash == at.Hash:
				out.Match, out.Text = pb.StatementMatch_STATEMENT_MATCH_SAME, "The same statement of the server is held here."
				return false, nil
			}
			out.Match, out.Text = pb.StatementMatch_STATEMENT_MATCH_DIFFERENT, "The server made another statement to this replica in its place: it told two stories, or its key is in use twice."
			return true, nil
		})
	})
	return out, err
}
