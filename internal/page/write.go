package page

import (
	"cmp"
	"net/http"
)

// writeEvent serves the generic form of any event that people write.
func writeEvent(req *Request) error {
	name := req.PathValue("event")
	f, err := req.newForm(name)
	if err != nil {
		return err
	}
	if req.Session.Phone && req.staysHere(f.spec) {
		req.fail(http.StatusForbidden, say("phones.stays"))
		return nil
	}
	q := req.URL.Query()
	for _, in := range f.Inputs {
		if text := q.Get(in.Name); text != "" && req.Method == http.MethodGet {
			in.keep([]string{text})
		}
	}
	back := q.Get("back")
	if id := q.Get("case"); id != "" && specHas(f, "case") {
		f.set("case", id)
		back = cmp.Or(back, "/case/"+id+"/later")
	}
	if req.Method == http.MethodPost {
		out, ok, err := f.post()
		if err != nil {
			return err
		}
		if ok {
			req.saved(out)
			return req.redirect(cmp.Or(back, req.Site.home()))
		}
		req.Code = http.StatusUnprocessableEntity
	}
	m := map[string]any{"Form": f, "Back": cmp.Or(back, req.Site.home())}
	if id := q.Get("case"); id != "" {
		about, err := req.header(id)
		if err != nil {
			return err
		}
		return req.renderCase("write", f.spec.Rule.GetShort(), "barn", &about, m)
	}
	return req.render("write", f.spec.Rule.GetShort(), "clinic", m)
}
