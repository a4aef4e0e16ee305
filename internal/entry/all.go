package entry

import (
	"context"
	"fmt"

	"thawtrail/internal/query"
	"thawtrail/internal/refusal"
	"thawtrail/internal/replica"
	"thawtrail/internal/store"
	"thawtrail/internal/trust/pins"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// maxTogether is how many entries stand or fall together.
const maxTogether = 2000

// WriteAll makes the records of several entries, all or none.
func (w *Writer) WriteAll(ctx context.Context, req *pb.WriteAllRequest) (*pb.WriteAllResponse, error) {
	return w.WriteAllBy(ctx, Actor{Session: pins.CommandLine}, req)
}

// WriteAllBy writes for an actor. Each entry is judged by the books as they stand, and not
// by the entries beside it. What a request id shows to be saved already is not saved again,
// so the same file or press twice adds nothing.
func (w *Writer) WriteAllBy(ctx context.Context, actor Actor, req *pb.WriteAllRequest) (*pb.WriteAllResponse, error) {
	if n := len(req.Entries); n == 0 || n > maxTogether {
		return nil, refusal.New("entries", n, fmt.Sprintf("1 to %d entries", maxTogether))
	}
	id := req.Entries[0].RequestId
	if id == "" || req.DryRun {
		return w.writeAll(ctx, actor, req)
	}
	// Two presses of one button are one call, as in WriteBy.
	out, err, _ := w.requests.Do(id+"\x00", func() (any, error) {
		return w.writeAll(context.WithoutCancel(ctx), actor, req)
	})
	if err != nil {
		return nil, err
	}
	return out.(*pb.WriteAllResponse), nil
}

func (w *Writer) writeAll(ctx context.Context, actor Actor, req *pb.WriteAllRequest) (*pb.WriteAllResponse, error) {
	out := &pb.WriteAllResponse{}
	var all []*pending
	err := w.ViewOwn(ctx, func(b *query.ReadView) (err error) {
		if _, err = w.foretell(view{ReadView: b, replica: w.Replica, trial: true}, actor, req, out); err != nil || !out.AllSaved {
			return err
		}
		all, err = w.foretell(view{ReadView: b, replica: w.Replica}, actor, req, out)
		return err
	})
	if err != nil || !out.AllSaved {
		return out, err
	}
	return out, w.saveAll(ctx, actor, req, all, out)
}

// foretell prepares each entry and tells its fate. AllSaved is left true where all of them
// can be saved, and are to be.
func (w *Writer) foretell(b view, actor Actor, req *pb.WriteAllRequest, out *pb.WriteAllResponse) (all []*pending, err error) {
	out.Fates, out.AllSaved = nil, !req.DryRun
	for _, one := range req.Entries {
		e, fate, err := w.foretellOne(b, actor, one)
		if err != nil {
			return nil, err
		}
		all, out.Fates = append(all, e), append(out.Fates, fate)
		out.AllSaved = out.AllSaved && fate.Refused == ""
	}
	return all, nil
}

// foretellOne prepares one entry of several.
func (w *Writer) foretellOne(b view, actor Actor, req *pb.WriteRequest) (*pending, *pb.Fate, error) {
	if len(req.RequestId) > maxRequestID {
		return nil, &pb.Fate{Refused: requestTooLong(req).Error()}, nil
	}
	done, ok, err := b.ByRequest(req.RequestId)
	if err != nil {
		return nil, nil, err
	}
	if ok && req.RequestId != "" {
		e := &pending{b: b, repeated: done, text: savedBefore}
		return e, &pb.Fate{Written: w.answer(e, done, query.SavedState(w.Link.StateOf(done)))}, nil
	}
	e, err := b.prepare(actor, req)
	if err != nil {
		fate, err := fateOf(err)
		return nil, fate, err
	}
	return e, &pb.Fate{Written: &pb.WriteResponse{Text: e.text, Cautions: wording.Cautions(e.cautions)}}, nil
}

// fateOf turns a refusal into the fate of its entry. Anything else ends the whole call.
func fateOf(err error) (*pb.Fate, error) {
	if text, ok := refusal.Plain(err); ok {
		return &pb.Fate{Refused: text}, nil
	}
	return nil, err
}

// saveAll saves what was prepared, in one write, and answers for each.
func (w *Writer) saveAll(ctx context.Context, actor Actor, req *pb.WriteAllRequest, all []*pending, out *pb.WriteAllResponse) error {
	var drafts []store.Draft
	var of []int
	newKeys := false
	for i, e := range all {
		if e.repeated == nil {
			e.draft.Proof, e.noProof = w.proofOf(e, actor, req.Entries[i])
			drafts, of, newKeys = append(drafts, e.draft), append(of, i), newKeys || e.newKeys
		}
	}
	if newKeys {
		if err := w.Seals.Save(); err != nil {
			return fmt.Errorf("not saved: the keys of sealed fields could not be written: %w", err)
		}
	}
	if len(drafts) == 0 {
		return nil
	}
	recs, err := w.Store.Append(ctx, drafts...)
	if err != nil {
		return replica.NotSaved(err)
	}
	for n, i := range of {
		out.Fates[i].Written = w.answer(all[i], recs[n], w.justSaved())
	}
	return nil
}
