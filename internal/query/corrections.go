package query

import (
	"cmp"
	"context"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// Fix is one correction of a record.
type Fix struct {
	Rec  *event.Record
	Body *pb.Corrected
}

// CorrectionIn is the correction that a record makes; nil for any other record.
func CorrectionIn(r *event.Record) *pb.Corrected {
	if r.Head.Type != event.TypeCorrected {
		return nil
	}
	p, err := r.Payload()
	if err != nil {
		return nil
	}
	c, _ := p.(*pb.Corrected)
	return c
}

// Standing is a record as it stands after the corrections that are held here.
type Standing struct {
	Type   event.Type
	Body   proto.Message // what stands; of a voided record what stood before
	AtMs   int64
	Told   *pb.Moment // that time as it was told, or corrected
	Voided bool
	First  proto.Message // what was told at first
	Fixes  []Fix         // all of them, in written order
}

// Standing tells what stands of a record. Which correction that is, the fold of what the
// record is about says: one by somebody without the right does not count.
func (b *ReadView) Standing(r *event.Record) (*Standing, error) {
	body, err := r.Payload()
	out := &Standing{Type: r.Head.Type, Body: body, First: body, AtMs: r.OccurredMs(), Told: r.Head.OccurredAt}
	if err != nil {
		return out, err
	}
	name := r.Hash.String()
	err = b.Records(r.Primary(), func(o *event.Record) error {
		if c := CorrectionIn(o); c != nil && c.Original == name {
			out.Fixes = append(out.Fixes, Fix{o, c})
		}
		return nil
	})
	slices.SortFunc(out.Fixes, func(x, y Fix) int { return event.CompareWritten(x.Rec, y.Rec) })
	state, stateErr := b.State(r.Primary())
	if err = cmp.Or(err, stateErr); err != nil || state == nil {
		return out, err
	}
	story := state.Story()
	if i := slices.IndexFunc(story, func(e ledger.Entry) bool { return e.Record == r.Hash }); i >= 0 {
		out.take(story[i])
	}
	out.First, out.Body = b.withoutForgotten(out.First), b.withoutForgotten(out.Body)
	return out, nil
}

// take follows the corrections up to the one that the fold says stands.
func (s *Standing) take(e ledger.Entry) {
	s.AtMs, s.Voided = e.AtMs, e.Marks.Has(ledger.MarkVoided)
	last := slices.IndexFunc(s.Fixes, func(f Fix) bool { return f.Rec.Hash == e.By })
	for _, f := range s.Fixes[:last+1] {
		if m, err := event.Replacement(f.Body); err == nil && m != nil {
			s.Type, s.Body = f.Body.Type, m
		}
		if f.Body.OccurredAt.GetUnixMs() == s.AtMs {
			s.Told = f.Body.OccurredAt
		}
	}
}

// Opened is what stands, with sealed fields in clear as far as their keys are here: those
// of which the key is gone are left out.
func (b *ReadView) Opened(s *Standing) proto.Message {
	m := proto.Clone(b.inClear(s.Body, ""))
	_ = event.EachSealed(m, func(field string, sealed *pb.Sealed) (*pb.Sealed, error) { // opening cannot fail
		plain, ok := b.r.Seals.Open(event.SealOwner(s.Type, m, field, time.UnixMilli(s.AtMs)), field, sealed)
		if !ok {
			return nil, nil
		}
		return &pb.Sealed{Plain: plain}, nil
	})
	return m
}

// ListCorrections lists what was corrected or voided: before, after, who and why. What
// was corrected last comes first.
func (s Reader) ListCorrections(ctx context.Context, req *pb.ListCorrectionsRequest) (*pb.ListCorrectionsResponse, error) {
	out := &pb.ListCorrectionsResponse{}
	err := s.View(ctx, func(b *ReadView) (err error) {
		if err := event.Typed(req); err != nil {
			return err
		}
		asked, err := b.askedOf(req)
		if err != nil {
			return err
		}
		out.Next, err = b.listed(req, []string{ledger.TermCorrected}, func(f store.Found) error {
			rows, err := b.correctionsOf(f.Key, asked)
			if err != nil {
				return err
			}
			out.Rows = append(out.Rows, rows...)
			return orNotAsked(rows)
		})
		return err
	})
	return out, err
}

// correctionsOf tells every correction that is about an entity first, the newest first.
func (b *ReadView) correctionsOf(k event.Key, asked asked) (out []*pb.CorrectionRow, err error) {
	var all []*event.Record
	err = b.Records(k, func(r *event.Record) error {
		all = append(all, r)
		return nil
	})
	slices.SortFunc(all, event.CompareWritten)
	said := map[string]told{} // what stands of an original, as it is gone through
	for _, r := range all {
		c := CorrectionIn(r)
		if c == nil {
			if m, unread := r.Payload(); unread == nil {
				said[r.Hash.String()] = told{b.Tell(k, r.Head.Type, m, r.OccurredMs()).String(), r.Head.Author}
			}
			continue
		}
		before := said[c.Original]
		row := b.correctionRow(k, Fix{r, c}, before)
		if !c.Void {
			said[c.Original] = told{row.After, before.author}
		}
		if r.Primary() == k && asked.has(r.Head.WallUs/1000, r.Head.Author, before.author) {
			out = append(out, row)
		}
	}
	slices.Reverse(out)
	return out, err
}

// correctionRow tells one correction of what had been said before it.
func (b *ReadView) correctionRow(k event.Key, f Fix, before told) *pb.CorrectionRow {
	r, c := f.Rec, f.Body
	row := &pb.CorrectionRow{
		At: b.Stamp(r.Head.WallUs / 1000), Who: b.Person(r.Head.Author), EnteredBy: b.Person(before.author),
		About: b.entityText(k), Before: cmp.Or(before.words, wording.Unread), Voided: c.Void, Reason: ReasonOf(c), Record: r.Hash.String(), Original: c.Original,
		NoProof: !ledger.TakenBack(c) && r.Head.AuthorProof.GetKind() != pb.ProofKind_PROOF_KIND_PIN,
	}
	if !c.Void {
		row.After = b.replacementWords(k, c)
	}
	return row
}

// ReasonOf is why a correction was made; of an entry that its author took back at once
// nobody was asked.
func ReasonOf(c *pb.Corrected) string {
	if ledger.TakenBack(c) {
		return wording.TakenBack
	}
	return c.Reason
}

// told is what an entry says, and who entered it.
type told struct{ words, author string }

// replacementWords is what a correction puts in place.
func (b *ReadView) replacementWords(k event.Key, c *pb.Corrected) string {
	m, err := event.Replacement(c)
	if err != nil {
		return wording.Unread
	}
	return b.Tell(k, c.Type, m, c.OccurredAt.GetUnixMs()).String()
}

// corrected puts into a line of a story who corrected its entry, when and why, and what
// the entry had told otherwise.
func (b *ReadView) corrected(k event.Key, row *pb.TimelineRow, fix ledger.Entry, all map[event.Hash]proto.Message) {
	c := all[fix.Record].(*pb.Corrected)
	row.Corrected = &pb.Correction{
		At: b.Stamp(fix.WallMs), Who: b.Person(fix.Author), Reason: ReasonOf(c), Voided: c.Void, Record: fix.Record.String(),
	}
	now, err := event.Replacement(c)
	original, readErr := b.r.Store.FindRecord(row.Record)
	if err != nil || readErr != nil || now == nil {
		return
	}
	var was []string
	if first, err := original.Payload(); err == nil {
		stands := b.teller(k, c.Type, now, c.OccurredAt.GetUnixMs())
		if other := b.teller(k, original.Head.Type, first, original.OccurredMs()).otherwise(stands); other != "" {
			was = append(was, other)
		}
	}
	if at := c.OccurredAt.GetUnixMs(); at != 0 && at != original.OccurredMs() {
		was = append(was, b.Clock(original.OccurredMs()))
	}
	row.Was = strings.Join(was, ", ")
}

// UndoUntil is until when whoever wrote a record can take it back without a word; the
// zero time when it cannot be taken back so.
func UndoUntil(r *event.Record) time.Time {
	if !event.Correctable(r.Head.Type) {
		return time.Time{}
	}
	return time.UnixMicro(r.Head.WallUs).Add(undoFor)
}

// undoFor is how long after an entry its author may take it back without a word (ours).
const undoFor = time.Minute
