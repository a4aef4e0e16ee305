package form

import (
	"cmp"
	"net/http"

	"thawtrail/internal/query"
	"thawtrail/internal/web/site"
)

// inForce starts the form of practice-wide words from what stands, named in the address
// by its product or its name.
func (f *Form) inForce(req *site.Request) error {
	q := req.URL.Query()
	if req.Method == http.MethodPost {
		return nil
	}
	return req.Read(func(l *query.ReadView) error {
		m, err := l.InForce(f.Spec.New(), cmp.Or(q.Get("product"), q.Get("name")))
		if m == nil || err != nil {
			return err
		}
		clock := Clock(req)
		for _, in := range f.Inputs {
			if texts := in.typed(clock, m.ProtoReflect()); len(texts) > 0 {
				in.Keep(texts)
			}
		}
		return nil
	})
}
