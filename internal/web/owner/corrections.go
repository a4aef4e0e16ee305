package owner

import (
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// correctionRow is an entry that was corrected or voided.
type correctionRow struct {
	At, Who, EnteredBy, About, Before, After, Reason string
}

// ListCorrections serves what was corrected: old beside new, who did it, and why.
func ListCorrections(req *site.Request) error {
	narrow := req.Narrow()
	part, err := req.Site.Audit.ListCorrections(req.Context(), &pb.ListCorrectionsRequest{Limit: site.PageRows, After: req.After(), From: narrow.From, To: narrow.To, Person: narrow.Person})
	if err != nil {
		return err
	}
	var out []correctionRow
	for _, r := range part.Rows {
		row := correctionRow{
			At: words.Moment(words.ParseTime(r.At)), Who: r.Who, EnteredBy: r.EnteredBy, About: r.About, Before: r.Before, After: r.After, Reason: r.Reason,
		}
		if r.Voided {
			row.After = words.Say("corrections.voided")
		}
		if r.NoProof {
			row.Who = words.Say("corrections.no_proof", r.Who)
		}
		out = append(out, row)
	}
	return req.Render("corrections", words.Say("corrections.title"), "owner", map[string]any{"Narrow": narrow, "Rows": out, "Next": req.NextPart(part.Next)})
}
