package query

import (
	"cmp"
	"context"
	"slices"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// ListCorrections lists what was corrected or voided: before, after, who and why. What
// was corrected last comes first.
func (s Reader) ListCorrections(ctx context.Context, req *pb.ListCorrectionsRequest) (*pb.ListCorrectionsResponse, error) {
	out := &pb.ListCorrectionsResponse{}
	err := s.View(ctx, func(b *ReadView) (err error) {
		if err := event.Typed(req); err != nil {
			return err
		}
		out.Next, err = b.listed(req, []string{ledger.TermCorrected}, func(f store.Found) error {
			rows, err := b.correctionsOf(f.Key)
			out.Rows = append(out.Rows, rows...)
			return err
		})
		return err
	})
	return out, err
}

// correctionsOf tells every correction that is about an entity first, the newest first.
func (b *ReadView) correctionsOf(k event.Key) (out []*pb.CorrectionRow, err error) {
	var all []*event.Record
	err = b.Records(k, func(r *event.Record) error {
		all = append(all, r)
		return nil
	})
	slices.SortFunc(all, event.CompareWritten)
	said := map[string]told{} // what stands of an original, as it is gone through
	for _, r := range all {
		m, unread := r.Payload()
		c, correction := m.(*pb.Corrected)
		if !correction {
			if unread == nil {
				said[r.Hash.String()] = told{b.inWords(r.Head.Type, m), r.Head.Author}
			}
			continue
		}
		before := said[c.Original]
		row := &pb.CorrectionRow{
			At: b.Stamp(r.Head.WallUs / 1000), Who: b.Person(r.Head.Author), EnteredBy: b.Person(before.author),
			About: b.entityText(k), Before: cmp.Or(before.words, wording.Unread), Voided: c.Void, Reason: c.Reason, Record: r.Hash.String(), Original: c.Original,
			NoProof: r.Head.AuthorProof.GetKind() != pb.ProofKind_PROOF_KIND_PIN,
		}
		if !c.Void {
			row.After = b.replacementWords(c)
			said[c.Original] = told{row.After, before.author}
		}
		if r.Primary() == k {
			out = append(out, row)
		}
	}
	slices.Reverse(out)
	return out, err
}

// told is what an entry says, and who entered it.
type told struct{ words, author string }

// inWords is an entry in one line.
func (b *ReadView) inWords(t event.Type, m proto.Message) string {
	text := wording.EventType(t)
	if d := b.Details(m); d != "" {
		text += ": " + d
	}
	return text
}

// replacementWords is what a correction puts in place.
func (b *ReadView) replacementWords(c *pb.Corrected) string {
	m, err := event.Replacement(c)
	if err != nil {
		return wording.Unread
	}
	return b.inWords(c.Type, m)
}
