package owner

import (
	"net/http"

	"thawtrail/internal/refusal"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// inviteMore is the page on which a laptop is let into the practice.
type inviteMore struct {
	Person, Refused string
	Roles           []site.Option
	Code, For       string // of the invitation that was just made
	Until           string
	Off             bool // invitations are made elsewhere: at the server, or on an owner's laptop
	AsksPIN         bool // this is such a laptop, and the owner has a PIN there
	Laptop          bool // this is such a laptop: the server is asked
}

// Invite makes a one-time code by which a laptop joins the practice.
func Invite(req *site.Request) error {
	on, pin, err := req.LetsIn()
	if err != nil {
		return err
	}
	m := &inviteMore{Person: req.PostForm.Get("person"), Off: !on, AsksPIN: pin, Laptop: !req.Site.Replica.Hub}
	for _, role := range []pb.Role{pb.Role_ROLE_VET, pb.Role_ROLE_ASSISTANT, pb.Role_ROLE_CLINIC, pb.Role_ROLE_OWNER} {
		value := role.String()
		m.Roles = append(m.Roles, site.Option{Value: value, Label: words.Enum(role), Checked: req.PostForm.Get("role") == value})
	}
	if req.Method == http.MethodPost && !m.Off {
		if err := m.make(req); err != nil {
			return err
		}
	}
	return req.Render("invite", words.Say("invite.title"), "owner", m)
}

func (m *inviteMore) make(req *site.Request) error {
	people, err := req.People()
	if err != nil {
		return err
	}
	ask := &pb.InviteRequest{Person: m.Person, By: req.Who(people), Pin: req.PostForm.Get("pin")}
	if role := pb.Role(pb.Role_value[req.PostForm.Get("role")]); role != pb.Role_ROLE_UNSPECIFIED {
		ask.Roles = []pb.Role{role}
	}
	if ask.By == "" {
		m.Refused, req.Code = words.Say("invite.who"), http.StatusUnprocessableEntity
		return nil
	}
	out, err := req.Site.Invites(req.Context(), ask)
	if text, plain := refusal.Plain(err); err != nil && plain {
		m.Refused, req.Code = text, http.StatusUnprocessableEntity
		return nil
	}
	if err != nil {
		return err
	}
	m.Code, m.For, m.Until = out.Code, out.PersonName, words.Moment(words.ParseTime(out.ExpiresAt))
	return nil
}
