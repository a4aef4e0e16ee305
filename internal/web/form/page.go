package form

import (
	"cmp"
	"net/http"
	"strings"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/query"
	"thawtrail/internal/web/site"
	pb "thawtrail/proto/thawtrail/v1"
)

// ServeEvent serves the generic form of any event that people write.
func ServeEvent(req *site.Request) error {
	name := req.PathValue("event")
	f, err := New(req, name)
	if err != nil {
		return err
	}
	if !req.Session.MayDecide() && staysHere(req, f.Spec) {
		req.Stays()
		return nil
	}
	if err := f.inForce(req); err != nil {
		return err
	}
	q := req.URL.Query()
	for _, in := range f.Inputs {
		if text := q.Get(in.Name); text != "" && req.Method == http.MethodGet {
			in.Keep(q[in.Name])
		}
	}
	back := q.Get("back")
	if id := q.Get("case"); id != "" && f.Spec.Message().Fields().ByName("case") != nil {
		f.Set("case", id)
		back = cmp.Or(back, "/case/"+id+"/later")
	}
	if saved, err := f.Sent(); err != nil {
		return err
	} else if saved != nil {
		return req.Redirect(cmp.Or(back, req.Site.Home()))
	}
	m := map[string]any{"Form": f, "Back": cmp.Or(back, req.Site.Home())}
	if id := q.Get("case"); id != "" {
		var about site.Header
		err := req.ReadCase(id, func(l *query.ReadView, c *ledger.Case) error {
			about = site.HeaderOf(l, c, req.Now)
			return nil
		})
		if err != nil {
			return err
		}
		return req.RenderCase("write", f.Spec.Rule.GetShort(), "barn", &about, m)
	}
	return req.Render("write", f.Spec.Rule.GetShort(), "clinic", m)
}

// staysHere says that what is about to be written decides about people and rights:
// that is written on the laptop itself. So is a correction of such an entry.
func staysHere(req *site.Request, spec *event.Spec) bool {
	switch spec.Name {
	case "linked", "unlinked":
		return strings.EqualFold(strings.TrimSpace(req.FormValue("kind")), event.KindPerson)
	case "corrected":
		r, err := req.Site.Audit.GetRecord(req.Context(), &pb.GetRecordRequest{Record: req.FormValue("original")})
		if err != nil {
			return false // the form says what is wrong with it
		}
		kind, _, err := event.Unwrap(r.Entry)
		original, known := event.Lookup(kind)
		return err != nil || !known || decidesRights(original)
	}
	return decidesRights(spec)
}

// decidesRights says that an event is the owners' alone, or makes the first owner.
func decidesRights(spec *event.Spec) bool {
	roles := spec.Rule.GetRoles()
	return spec.Name == "practice_founded" || len(roles) == 1 && roles[0] == pb.Role_ROLE_OWNER
}
