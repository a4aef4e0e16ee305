package site

import (
	"cmp"
	"net/http"

	"thawtrail/internal/web/words"
)

// writeEvent serves the generic form of any event that people write.
func WriteEvent(req *Request) error {
	name := req.PathValue("event")
	f, err := req.NewForm(name)
	if err != nil {
		return err
	}
	if req.Session.Phone && req.staysHere(f.Spec) {
		req.Fail(http.StatusForbidden, words.Say("phones.stays"))
		return nil
	}
	q := req.URL.Query()
	for _, in := range f.Inputs {
		if text := q.Get(in.Name); text != "" && req.Method == http.MethodGet {
			in.Keep([]string{text})
		}
	}
	back := q.Get("back")
	if id := q.Get("case"); id != "" && f.Spec.Message().Fields().ByName("case") != nil {
		f.Set("case", id)
		back = cmp.Or(back, "/case/"+id+"/later")
	}
	if req.Method == http.MethodPost {
		out, ok, err := f.Post()
		if err != nil {
			return err
		}
		if ok {
			req.Saved(out)
			return req.Redirect(cmp.Or(back, req.Site.Home()))
		}
		req.Code = http.StatusUnprocessableEntity
	}
	m := map[string]any{"Form": f, "Back": cmp.Or(back, req.Site.Home())}
	if id := q.Get("case"); id != "" {
		about, err := req.header(id)
		if err != nil {
			return err
		}
		return req.RenderCase("write", f.Spec.Rule.GetShort(), "barn", &about, m)
	}
	return req.Render("write", f.Spec.Rule.GetShort(), "clinic", m)
}
