package query

import (
	"cmp"
	"context"
	"slices"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// maxExport bounds the records of one export. A client's horses come to a few
// hundred in a season.
const maxExport = 20_000

// ExportClient lists every record that names a client, a case of the client's
// horses, or a note on either.
func (s Reader) ExportClient(ctx context.Context, req *pb.ExportClientRequest) (*pb.ExportClientResponse, error) {
	out := &pb.ExportClientResponse{
		Text: "This is what this replica holds. Other laptops of the practice hold the same once they have met the server. Paper, pictures and messages are not in it.",
	}
	err := s.View(ctx, func(b *ReadView) error {
		id, err := b.Resolve("client", event.KindClient, req.Client)
		if err != nil {
			return err
		}
		out.Client, out.ExportedAt = id, b.At(b.now)
		if err := b.openClient(out); err != nil {
			return err
		}
		keys := []event.Key{{Kind: event.KindClient, ID: id}}
		err = b.Each(event.KindCase, func(st ledger.State) (bool, error) {
			if c := st.(*ledger.Case); c.Patient != nil && c.Patient.Client == id {
				out.Cases = append(out.Cases, c.Key().ID)
				keys = append(keys, c.Key())
			}
			return true, nil
		})
		if err != nil {
			return err
		}
		return b.exportRecords(out, keys)
	})
	return out, err
}

// openClient opens what is sealed about the client.
func (b *ReadView) openClient(out *pb.ExportClientResponse) error {
	c, err := Get[*ledger.Client](b, event.KindClient, out.Client)
	if err != nil || c == nil {
		return err
	}
	out.Forgotten = c.Forgotten != nil
	out.Name, out.Telephone, out.Address = b.Client(out.Client)
	return nil
}

// exportRecords lists the records of the entities, each once, in written order.
func (b *ReadView) exportRecords(out *pb.ExportClientResponse, keys []event.Key) error {
	seen := map[event.Hash]bool{}
	var records []*event.Record
	for _, k := range keys {
		err := b.Records(k, func(r *event.Record) error {
			if len(records) >= maxExport {
				return refusal.Fail(refusal.ErrTooMuch, "more than %d records concern this client", maxExport)
			}
			if !seen[r.Hash] {
				seen[r.Hash] = true
				records = append(records, r)
			}
			return nil
		})
		if err != nil {
			return err
		}
	}
	slices.SortFunc(records, func(x, y *event.Record) int {
		return cmp.Or(cmp.Compare(x.Head.HlcUs, y.Head.HlcUs), x.Hash.Compare(y.Hash))
	})
	for _, r := range records {
		row := &pb.GetRecordResponse{}
		b.fullRecord(row, r)
		out.Records = append(out.Records, row)
	}
	return nil
}
