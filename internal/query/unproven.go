package query

import (
	"cmp"
	"context"
	"slices"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	pb "thawtrail/proto/thawtrail/v1"
)

// ListUnproven lists the acts that asked for a PIN and got none, and the entries
// that nobody has signed yet, the newest first.
func (s Reader) ListUnproven(ctx context.Context, req *pb.ListUnprovenRequest) (*pb.ListUnprovenResponse, error) {
	out := &pb.ListUnprovenResponse{}
	err := s.View(ctx, func(b *ReadView) (err error) {
		out.Freshness = b.freshness()
		out.Rows, err = b.unproven(req.Unsigned, nil)
		return err
	})
	return out, err
}

// unproven lists such entries of some logs; nil: of all.
func (b *ReadView) unproven(unsigned bool, of []event.LogID) ([]*pb.UnprovenRow, error) {
	terms, marks := []string{ledger.TermUnsigned}, []ledger.Marks{ledger.MarkUnsigned}
	if !unsigned {
		terms, marks = append(terms, ledger.TermUnproven), append(marks, ledger.MarkNoProof)
	}
	rows := map[event.Hash]*pb.UnprovenRow{} // one record touches several entities
	for _, term := range terms {
		keys, err := b.Find(term)
		if err != nil {
			return nil, err
		}
		for _, k := range keys {
			if err := b.unprovenOf(k, marks, of, rows); err != nil {
				return nil, err
			}
		}
	}
	out := make([]*pb.UnprovenRow, 0, len(rows))
	for _, row := range rows {
		out = append(out, row)
	}
	slices.SortFunc(out, func(x, y *pb.UnprovenRow) int {
		return cmp.Or(cmp.Compare(y.At, x.At), cmp.Compare(x.Record, y.Record))
	})
	return out[:min(len(out), MaxRows)], nil
}

// unprovenOf adds the rows of one entity.
func (b *ReadView) unprovenOf(k event.Key, marks []ledger.Marks, of []event.LogID, rows map[event.Hash]*pb.UnprovenRow) error {
	state, err := b.State(k)
	if err != nil || state == nil {
		return err
	}
	var all map[event.Hash]proto.Message
	for _, e := range state.Story() {
		if rows[e.Record] != nil || e.Marks&(ledger.MarkVoided|ledger.MarkElsewhere) != 0 || !slices.ContainsFunc(marks, e.Marks.Has) || of != nil && !slices.Contains(of, e.Log) {
			continue
		}
		if all == nil {
			all = b.payloads([]event.Key{k}, func(*event.Record) {})
		}
		row := &pb.UnprovenRow{
			At: b.Stamp(e.AtMs), WrittenAt: b.Stamp(e.WallMs), What: b.said(k, e, all).String(), Who: b.Person(e.Author), About: b.entityText(k),
			Where: b.deviceOf(e.Log), Record: e.Record.String(), Unsigned: e.Marks.Has(ledger.MarkUnsigned),
		}
		if r, err := b.r.Store.FindRecord(row.Record); err == nil {
			row.About = b.entityText(r.Primary())
			for _, o := range r.Head.Overrides {
				row.Overrides = append(row.Overrides, o.GetCode()+": "+o.GetReason()+agreed(o))
			}
		}
		rows[e.Record] = row
	}
	return nil
}

// Unsigned lists the entries of this machine that nobody has signed yet.
func (b *ReadView) Unsigned() ([]*pb.UnprovenRow, error) {
	return b.unproven(true, b.r.Store.OwnLogs())
}

// agreed names who else agreed to go past a hard limit.
func agreed(o *pb.Override) string {
	if o.GetSecond() == "" {
		return ""
	}
	return " (" + o.GetSecond() + " agreed)"
}
