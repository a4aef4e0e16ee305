package page

import (
	"thawtrail/internal/service"
	pb "thawtrail/proto/thawtrail/v1"
)

// listUnproven serves the owner's list.
func listUnproven(req *Request) error {
	out, err := req.Site.Audit.ListUnproven(req.Context(), &pb.ListUnprovenRequest{})
	if err != nil {
		return err
	}
	return req.render("unproven", say("unproven.title"), "owner", unprovenRows(out.Rows))
}

// unprovenName is a name with what its entry lacks.
func unprovenName(r *pb.LateRow) string {
	switch {
	case r.Unsigned:
		return say("unproven.unsigned")
	case r.NoProof:
		return r.Who + " (" + service.NoProof + ")"
	}
	return r.Who
}
