package machine

import (
	"net/http"
	"strconv"
	"time"

	"thawtrail/internal/replica"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
)

// rehearseMore is the page on which a rehearsal begins, and in a rehearsal the one on
// which it is told and ends.
type rehearseMore struct {
	Begin  *replica.RehearsalState // on the real laptop
	Scene  *replica.Scene          // in a rehearsal
	Passed int                     // minutes that its clocks are ahead
	Steps  []site.Option           // how much time can be let pass at once
}

// Rehearse serves that page.
func Rehearse(req *site.Request) error {
	r := req.Site.Replica
	switch {
	case r.Script != nil:
		return rehearsing(req, r.Script)
	case r.Rehearsals == nil:
		return site.ErrNotFound
	case req.Method == http.MethodPost && req.PostForm.Get("do") == "discard":
		r.Rehearsals.Discard()
		return req.Redirect("/rehearse")
	case req.Method == http.MethodPost:
		r.Rehearsals.Start()
		return req.Redirect("/rehearse")
	}
	state := r.Rehearsals.State()
	return req.Render("rehearse", words.Say("rehearsal.title"), "", &rehearseMore{Begin: &state})
}

// passes are the minutes that can be let pass at once.
var passes = []int{5, 20}

// rehearsing is the page in the rehearsal itself.
func rehearsing(req *site.Request, script replica.Script) error {
	if req.Method == http.MethodPost {
		return direct(req, script)
	}
	scene, err := script.Scene(req.Context())
	if err != nil {
		return err
	}
	m := &rehearseMore{Scene: &scene, Passed: int(scene.Passed.Minutes())}
	for _, min := range passes {
		m.Steps = append(m.Steps, site.Option{Value: strconv.Itoa(min), Label: words.Say("rehearsal.pass", min)})
	}
	return req.Render("rehearse", words.Say("rehearsal.title"), "", m)
}

// direct does what a press on the page asks for.
func direct(req *site.Request, script replica.Script) error {
	scene, err := script.Scene(req.Context())
	if err != nil {
		return err
	}
	switch req.PostForm.Get("do") {
	case "pass":
		minutes, _ := strconv.Atoi(req.PostForm.Get("minutes")) // none pass of what is no number
		script.Pass(time.Duration(minutes) * time.Minute)
	case "again":
		next, err := script.Again(req.Context())
		if err == nil {
			req.ThrownAway(next, scene.RealPages)
		}
		return err
	case "end":
		script.End()
		req.ThrownAway("", scene.RealPages)
		return nil
	}
	return req.Redirect("/rehearse")
}
