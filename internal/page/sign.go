package page

import (
	"net/http"

	"thawtrail/internal/service"
	pb "thawtrail/proto/thawtrail/v1"
)

// signMore lists the entries of this machine that nobody has signed yet.
type signMore struct {
	Rows      []*unprovenRow
	RequestID string
	People    []Option // to choose from, when it is not known who signs
	Who       string
	Said      string
}

// signLater serves the entries that wait for a name, and signs them.
func signLater(req *Request) error {
	m := &signMore{RequestID: newRequestID()}
	people, err := req.people()
	if err != nil {
		return err
	}
	if req.Method == http.MethodPost {
		if by := req.PostForm.Get("said_by"); by != "" {
			req.setWho(by)
		}
		out, err := req.writeOne("", "signed", &pb.Signed{Records: req.PostForm["record"]})
		if err == nil {
			req.saved(out)
			return req.redirect(req.Site.home())
		}
		ref, ok := service.Refusal(err)
		if !ok {
			return err
		}
		m.Said, req.Code = ref.Error(), http.StatusUnprocessableEntity
	}
	var rows []*pb.UnprovenRow
	err = req.Read(func(l service.Look) error {
		rows, err = l.Unsigned()
		return err
	})
	if err != nil {
		return err
	}
	m.Rows = unprovenRows(rows)
	if who := req.who(people); who == "" {
		m.People = people
	} else {
		for _, p := range people {
			if p.Value == who {
				m.Who = p.Label
			}
		}
	}
	return req.render("sign", say("sign.title"), "barn", m)
}
