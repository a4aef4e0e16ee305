package barn

import (
	"cmp"
	"slices"
	"strings"

	"thawtrail/internal/web/caseview"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
)

// Locked is what a locked browser still shows of the barn.
var Locked = site.LockedView{StaysOpen: staysOpen, Page: lockedPage}

// openSteps are the pages of a case that never lock, while it is watched.
var openSteps = map[string]bool{"run": true, "slower": true, "clamp": true, "treat": true, "drug": true, "reaction": true}

// lockedMore is the locked page.
type lockedMore struct {
	*site.LockedForm
	Cases []lockedCase
	Due   []site.Due // baths to measure; what is due in a case stands with it
}

type lockedCase struct {
	Patient *site.Patient
	ID      string
	Running *site.Running // nil when no bag runs any more
	Run     *runMore
	here    bool // this device wrote of it
}

// first brings what runs to the top, and of that what runs here: it has the keys.
func first(a, b lockedCase) int {
	rank := func(c lockedCase) int {
		switch {
		case c.Running == nil:
			return 2
		case !c.here:
			return 1
		}
		return 0
	}
	return cmp.Compare(rank(a), rank(b))
}

// staysOpen says that a step of a case is there for a locked browser too.
func staysOpen(req *site.Request) (bool, error) {
	if !openSteps[req.PathValue("step")] && !strings.HasSuffix(req.URL.Path, "/vitals.svg") {
		return false, nil
	}
	cv, err := caseview.Of(req, req.PathValue("case"))
	if err != nil {
		return false, err
	}
	return cv.Watched(), nil
}

// lockedPage serves what a locked browser still shows.
func lockedPage(req *site.Request, form *site.LockedForm) error {
	m, now := &lockedMore{LockedForm: form}, &nowMore{}
	err := eachOpen(req, func(cv *caseview.View) error {
		now.thaws(cv)
		if !cv.Watched() {
			return nil
		}
		p := &stepPage{Case: cv}
		if err := prepareRun(req, p); err != nil {
			return err
		}
		run := p.More.(*runMore)
		run.For = cv.Patient.Line
		m.Cases = append(m.Cases, lockedCase{cv.Patient, cv.ID, cv.Running, run, cv.Here})
		return nil
	})
	if err != nil {
		return err
	}
	slices.SortStableFunc(m.Cases, first)
	slices.SortStableFunc(m.Cases, func(a, b lockedCase) int { // this laptop's patients first
		switch {
		case a.Run.Elsewhere == b.Run.Elsewhere:
			return 0
		case b.Run.Elsewhere:
			return -1
		}
		return 1
	})
	m.Due = now.Due
	return req.Render("locked", words.Say("lock.title"), "", m)
}
