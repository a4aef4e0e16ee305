package owner

import (
	"net/http"

	"thawtrail/internal/refusal"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// endMore is the page that ends a person's roles and laptops.
type endMore struct {
	Name, Roles, Reason, Refused string
	Laptops                      []string // the person's
	Unsure                       []string // on which the person wrote last, and of which it is not known whose they are
	Keep                         bool
	People                       []site.Option // to choose from, when it is not known who enters it
}

// EndPerson shows what would end with a person, and ends it.
func EndPerson(req *site.Request) error {
	out, err := req.Site.Audit.GetPerson(req.Context(), &pb.GetPersonRequest{Person: req.PathValue("person")})
	if err != nil {
		return err
	}
	m := &endMore{Name: out.Person.Name, Roles: rolesOf(out.Person)}
	for _, l := range out.Laptops {
		switch {
		case l.ShutOut:
		case l.Person != "":
			m.Laptops = append(m.Laptops, l.Name)
		default:
			m.Unsure = append(m.Unsure, l.Name)
		}
	}
	people, err := req.People()
	if err != nil {
		return err
	}
	if req.Method == http.MethodPost {
		done, err := m.end(req, people, out.Person.Person)
		if err != nil || done {
			return err
		}
	}
	if req.Who(people) == "" {
		m.People = people
	}
	return req.Render("endperson", words.Say("endperson.title", m.Name), "owner", m)
}

// end ends it; what was refused is shown beside what was typed.
func (m *endMore) end(req *site.Request, people []site.Option, person string) (done bool, err error) {
	m.Reason, m.Keep = req.PostForm.Get("reason"), req.PostForm.Get("keep") != ""
	if by := req.PostForm.Get("said_by"); by != "" {
		req.SetWho(by)
	}
	out, err := req.Site.Records.EndPersonBy(req.Context(), req.Actor(), &pb.EndPersonRequest{Person: person, Reason: m.Reason, Author: req.Who(people), KeepLaptops: m.Keep})
	if ref, ok := refusal.As(err); ok {
		m.Refused, req.Code = ref.Error(), http.StatusUnprocessableEntity
		return false, nil
	}
	if err != nil {
		return false, err
	}
	req.Saved(&pb.WriteResponse{Text: out.Text, Saved: pb.SavedState_SAVED_STATE_SAVED_HERE})
	return true, req.Redirect("/owner/person/" + person)
}
