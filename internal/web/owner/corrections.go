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
	rows, next, err := corrections(req, req.After(), site.PageRows)
	if err != nil {
		return err
	}
	return req.Render("corrections", words.Say("corrections.title"), "owner", map[string]any{"Rows": rows, "Next": req.NextPart(next)})
}

// corrections lists what was corrected, of some entries.
func corrections(req *site.Request, after string, limit int32) (out []correctionRow, next string, err error) {
	part, err := req.Site.Audit.ListCorrections(req.Context(), &pb.ListCorrectionsRequest{Limit: limit, After: after})
	if err != nil {
		return nil, "", err
	}
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
	return out, part.Next, nil
}
