package page

import (
	"net/http"

	"thawtrail/internal/query"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// signMore lists the entries of this machine that nobody has signed yet.
type signMore struct {
	Rows      []*unprovenRow
	RequestID string
	People    []option // to choose from, when it is not known who signs
	Who       string
	Said      string
}

// unprovenRow is an act without proof, or an entry without a name.
type unprovenRow struct {
	At, What, Who, About, Where, Record string
	Overrides                           []string
	Unsigned                            bool
}

func unprovenRows(in []*pb.UnprovenRow) (out []*unprovenRow) {
	for _, r := range in {
		out = append(out, &unprovenRow{clockText(timeOf(r.At)), r.What, r.Who, r.About, r.Where, r.Record, r.Overrides, r.Unsigned})
	}
	return out
}

// signLater serves the entries that wait for a name, and signs them.
func (s *Site) signLater(v *visit) error {
	m := &signMore{RequestID: newRequestID()}
	people, err := v.people()
	if err != nil {
		return err
	}
	if v.r.Method == http.MethodPost {
		if by := v.r.PostForm.Get("said_by"); by != "" {
			v.setWho(by)
		}
		out, err := v.write("", "signed", &pb.Signed{Records: v.r.PostForm["record"]})
		if err == nil {
			v.saved(out)
			return v.redirect(s.home())
		}
		ref, ok := refusal.As(err)
		if !ok {
			return err
		}
		m.Said, v.code = ref.Error(), http.StatusUnprocessableEntity
	}
	var rows []*pb.UnprovenRow
	err = query.Reader{Replica: s.cfg.Replica}.View(v.r.Context(), func(l *query.ReadView) error {
		rows, err = l.Unsigned()
		return err
	})
	if err != nil {
		return err
	}
	m.Rows = unprovenRows(rows)
	if who := v.who(people); who == "" {
		m.People = people
	} else {
		for _, p := range people {
			if p.Value == who {
				m.Who = p.Label
			}
		}
	}
	return v.render("sign", say("sign.title"), "barn", m)
}

// listUnproven serves the owner's list.
func (s *Site) listUnproven(v *visit) error {
	out, err := s.audit.ListUnproven(v.r.Context(), &pb.ListUnprovenRequest{})
	if err != nil {
		return err
	}
	return v.render("unproven", say("unproven.title"), "owner", unprovenRows(out.Rows))
}
