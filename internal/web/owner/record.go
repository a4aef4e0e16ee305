package owner

import (
	"strings"

	"thawtrail/internal/event"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// ShowRecord serves one record in full.
func ShowRecord(req *site.Request) error {
	out, err := req.Site.Audit.GetRecord(req.Context(), &pb.GetRecordRequest{Record: req.PathValue("record")})
	if err != nil {
		return err
	}
	facts := []site.Pair{
		{Name: words.Say("record.what"), Value: out.Type},
		{Name: words.Say("record.happened"), Value: words.Moment(words.ParseTime(out.At))},
		{Name: words.Say("record.written"), Value: words.Moment(words.ParseTime(out.WrittenAt))},
		{Name: words.Say("record.who"), Value: out.Who},
		{Name: words.Say("record.known"), Value: knownWords(out)},
		{Name: words.Say("record.laptop"), Value: out.Device},
		{Name: words.Say("record.kept"), Value: words.SavedState(out.Saved)},
		{Name: words.Say("record.about"), Value: strings.Join(out.Entities, ", ")},
		{Name: words.Say("record.record"), Value: out.Record},
	}
	return req.Render("record", words.Say("record.heading"), "owner", map[string]any{"Facts": facts, "Entry": entryLines(out.Entry)})
}

// knownWords says how the laptop knew who wrote a record.
func knownWords(r *pb.GetRecordResponse) string {
	if r.Proof == pb.ProofKind_PROOF_KIND_PIN {
		return words.Say("record.proven", words.Moment(words.ParseTime(r.ProvenAt)))
	}
	return wording.NoProof
}

// entryLines are the values of an entry with their names.
func entryLines(e *pb.Entry) []site.Pair {
	_, m, err := event.Unwrap(e)
	if err != nil {
		return nil
	}
	return messageLines(m.ProtoReflect())
}
