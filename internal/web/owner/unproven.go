package owner

import (
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// ListUnproven serves the owner's list.
func ListUnproven(req *site.Request) error {
	out, err := req.Site.Audit.ListUnproven(req.Context(), &pb.ListUnprovenRequest{})
	if err != nil {
		return err
	}
	return req.Render("unproven", words.Say("unproven.title"), "owner", site.UnprovenRows(out.Rows))
}

// unprovenName is a name with what its entry lacks.
func unprovenName(r *pb.LateRow) string {
	switch {
	case r.Unsigned:
		return words.Say("unproven.unsigned")
	case r.NoProof:
		return r.Who + " (" + wording.NoProof + ")"
	}
	return r.Who
}
