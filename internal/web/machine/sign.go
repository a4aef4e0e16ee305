package machine

import (
	"net/http"

	"thawtrail/internal/query"
	"thawtrail/internal/refusal"
	"thawtrail/internal/web/form"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// signMore lists the entries of this machine that nobody has signed yet.
type signMore struct {
	Rows      []*site.UnprovenRow
	RequestID string
	People    []site.Option // to choose from, when it is not known who signs
	Who       string
	Said      string
}

// SignLater serves the entries that wait for a name, and signs them.
func SignLater(req *site.Request) error {
	m := &signMore{RequestID: site.NewRequestID()}
	people, err := req.People()
	if err != nil {
		return err
	}
	if req.Method == http.MethodPost {
		if by := req.PostForm.Get("said_by"); by != "" {
			req.SetWho(by)
		}
		out, err := form.Write(req, "", "signed", &pb.Signed{Records: req.PostForm["record"]})
		if err == nil {
			req.Saved(out)
			return req.Redirect(req.Site.Home())
		}
		ref, ok := refusal.As(err)
		if !ok {
			return err
		}
		m.Said, req.Code = ref.Error(), http.StatusUnprocessableEntity
	}
	var rows []*pb.UnprovenRow
	err = req.Read(func(l *query.ReadView) error {
		rows, err = l.Unsigned()
		return err
	})
	if err != nil {
		return err
	}
	m.Rows = site.UnprovenRows(rows)
	if who := req.Who(people); who == "" {
		m.People = people
	} else {
		for _, p := range people {
			if p.Value == who {
				m.Who = p.Label
			}
		}
	}
	return req.Render("sign", words.Say("sign.title"), "barn", m)
}
