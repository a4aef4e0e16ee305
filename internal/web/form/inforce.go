package form

import (
	"cmp"
	"net/http"
	"strconv"

	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/event"
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
		for _, in := range f.Inputs {
			if r := m.ProtoReflect(); r.Has(in.desc) {
				in.Keep([]string{in.typed(r.Get(in.desc))})
			}
		}
		return nil
	})
}

// typed is a stored value as a person would type it into the field.
func (in *Input) typed(v protoreflect.Value) string {
	switch in.desc.Kind() {
	case protoreflect.EnumKind:
		return event.EnumWord(in.desc.Enum().Values().ByNumber(v.Enum()))
	case protoreflect.Int32Kind, protoreflect.Int64Kind:
		return strconv.FormatFloat(float64(v.Int())/float64(in.scale), 'f', -1, 64)
	}
	return v.String()
}
