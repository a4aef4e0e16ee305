package page

import (
	"net/http"
	"slices"

	"thawtrail/internal/access"
	"thawtrail/internal/query"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// pinMore is the page on which people set their own PIN.
type pinMore struct {
	People     []option
	Who        string // the name, when it is known who writes here
	Has        bool   // has a PIN here
	Passphrase bool   // the machine's passphrase is another way
	Said       string // why it was not set
}

// ownPIN serves the page for one's own PIN.
func (s *Site) ownPIN(v *visit) error {
	if v.book() == nil {
		return errNowhere
	}
	people, err := v.people()
	if err != nil {
		return err
	}
	m := &pinMore{People: people, Passphrase: s.cfg.Opens != nil}
	who := v.who(people)
	if who == "" {
		who = v.r.PostForm.Get("person")
	}
	i := slices.IndexFunc(people, func(p option) bool { return p.Value == who })
	if i >= 0 {
		m.Who, m.Has = people[i].Label, v.book().Has(who)
	}
	if v.r.Method == http.MethodPost {
		if i < 0 {
			m.Said = say("lock.who")
		} else if m.Said = v.setPIN(who); m.Said == "" {
			v.switchTo(people[i], v.r.PostForm.Get("pin"))
			return v.redirect(s.home())
		}
		v.code = http.StatusUnprocessableEntity
	}
	return v.render("pin", say("pin.title"), "", m)
}

// setPIN sets the PIN that was typed; its answer is why not.
func (v *visit) setPIN(person string) string {
	got := v.r.PostForm
	if got.Get("pin") != got.Get("pin_again") {
		return say("pin.differ")
	}
	desk := access.PINs{Reader: query.Reader{Replica: v.s.cfg.Replica}, Opens: v.s.cfg.Opens}
	if desk.Opens == nil {
		desk.Opens = func(string) bool { return false }
	}
	_, err := desk.SetPin(v.r.Context(), &pb.SetPinRequest{Person: person, Pin: got.Get("pin"), OldPin: got.Get("old_pin"), Passphrase: got.Get("passphrase")})
	if err == nil {
		return ""
	}
	if ref, ok := refusal.As(err); ok {
		return say("pin.refused", ref.Want)
	}
	text, plain := refusal.Plain(err)
	if !plain {
		v.s.cfg.Log.Error("set a PIN", "error", err)
	}
	return text
}
