package page

import (
	"strings"
	"thawtrail/internal/event"
	"thawtrail/internal/service"
	pb "thawtrail/proto/thawtrail/v1"
)

// showRecord serves one record in full.
func showRecord(req *Request) error {
	out, err := req.Site.Audit.GetRecord(req.Context(), &pb.GetRecordRequest{Record: req.PathValue("record")})
	if err != nil {
		return err
	}
	facts := []Pair{
		{say("record.what"), out.Type},
		{say("record.happened"), clockText(timeOf(out.At))},
		{say("record.written"), clockText(timeOf(out.WrittenAt))},
		{say("record.who"), out.Who},
		{say("record.known"), knownWords(out)},
		{say("record.laptop"), out.Device},
		{say("record.kept"), savedWords(out.Saved)},
		{say("record.about"), strings.Join(out.Entities, ", ")},
		{say("record.record"), out.Record},
	}
	return req.render("record", say("record.heading"), "owner", map[string]any{"Facts": facts, "Entry": entryLines(out.Entry)})
}

// knownWords says how the laptop knew who wrote a record.
func knownWords(r *pb.GetRecordResponse) string {
	if r.Proof == pb.ProofKind_PROOF_KIND_PIN {
		return say("record.proven", clockText(timeOf(r.ProvenAt)))
	}
	return service.NoProof
}

// entryLines are the values of an entry with their names.
func entryLines(e *pb.Entry) []Pair {
	_, m, err := event.Unwrap(e)
	if err != nil {
		return nil
	}
	return messageLines(m.ProtoReflect())
}
