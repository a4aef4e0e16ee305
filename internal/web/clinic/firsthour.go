package clinic

import (
	"net/http"
	"slices"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/query"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// FirstHourPath is the page of the first hour.
const FirstHourPath = "/clinic/begin"

// firstHour is the list of what a practice needs before its first night.
type firstHour struct {
	Steps  []firstStep
	Left   int
	Folded bool
	Owner  bool // an owner writes here, who may fold the list
}

// Shows says that the clinic's page begins with the list.
func (h *firstHour) Shows() bool { return h.Left > 0 && !h.Folded }

// firstStep is one line of it. Hand names a step that no record tells: people tick it.
type firstStep struct {
	Text, Hand string
	Done       bool
	Forms      []site.Pair // where it is done, and how that page is called
}

// readFirstHour ticks what the books tell, and what was ticked by hand here.
func readFirstHour(req *site.Request) (*firstHour, error) {
	ticked, err := req.Site.FirstHour()
	if err != nil {
		return nil, err
	}
	last, err := req.Site.Replica.LastBackup()
	if err != nil {
		return nil, err
	}
	people, err := req.People()
	if err != nil {
		return nil, err
	}
	h := &firstHour{Folded: slices.Contains(ticked, site.FirstHourShut)}
	err = req.Read(func(l *query.ReadView) error {
		rights, err := l.Rights()
		if err != nil {
			return err
		}
		_, h.Owner = rights.GrantFor(req.Who(people), []pb.Role{pb.Role_ROLE_OWNER})
		has := map[string]bool{"laptops": rights != nil && len(rights.Devices) > 1, "backup": !last.Until.IsZero()}
		for _, kind := range []string{event.KindPlace, event.KindProduct, event.KindBag, event.KindProtocol} {
			err := l.Each(kind, func(ledger.State) (bool, error) {
				has[kind] = true
				return false, nil
			})
			if err != nil {
				return err
			}
		}
		h.Steps = firstSteps(has, ticked)
		return nil
	})
	for _, s := range h.Steps {
		if !s.Done {
			h.Left++
		}
	}
	return h, err
}

// firstSteps are the steps in the order in which one follows from another.
func firstSteps(has map[string]bool, ticked []string) []firstStep {
	form := func(address, name string) site.Pair { return site.Pair{Name: address, Value: name} }
	event1 := func(name, title string) site.Pair { return form("/write/"+name+"?back="+FirstHourPath, title) }
	return []firstStep{
		{Text: words.Say("begin.places"), Done: has[event.KindPlace], Forms: []site.Pair{event1("vehicle_added", words.Say("begin.vehicle")), event1("place_added", words.Say("begin.place"))}},
		{Text: words.Say("begin.cards"), Done: has[event.KindProduct], Forms: []site.Pair{event1("product_card", words.Say("begin.card"))}},
		{Text: words.Say("begin.people"), Done: has["laptops"], Forms: []site.Pair{event1("person_added", words.Say("begin.person")), event1("role_granted", words.Say("begin.role")), form("/owner/invite", words.Say("invite.title"))}},
		{Text: words.Say("begin.stock"), Done: has[event.KindBag], Forms: []site.Pair{event1("opening_stock", words.Say("begin.opening")), form(ImportPath+"?kind=stock", words.Say("import.title")), form("/clinic/delivery", words.Say("clinic.receive"))}},
		{Text: words.Say("begin.stickers"), Hand: site.StickersDone, Done: slices.Contains(ticked, site.StickersDone), Forms: []site.Pair{form("/clinic/stock", words.Say("clinic.stock"))}},
		{Text: words.Say("begin.settings"), Done: has[event.KindProtocol], Forms: []site.Pair{form("/clinic/settings", words.Say("settings.title")), event1("protocol_set", words.Say("begin.protocol"))}},
		{Text: words.Say("begin.backup"), Done: has["backup"], Forms: []site.Pair{form("/backup", words.Say("backup.title"))}},
		{Text: words.Say("begin.rehearsal"), Hand: site.RehearsalDone, Done: slices.Contains(ticked, site.RehearsalDone), Forms: []site.Pair{form("/clinic/sheets", words.Say("carsheet.title"))}},
	}
}

// FirstHour serves the list; a POST ticks a step by hand, or folds the list away.
func FirstHour(req *site.Request) error {
	h, err := readFirstHour(req)
	if err != nil {
		return err
	}
	if req.Method != http.MethodPost {
		return req.Render("begin", words.Say("begin.title"), "clinic", h)
	}
	step := req.PostForm.Get("step")
	switch step {
	case site.StickersDone, site.RehearsalDone:
	case site.FirstHourShut:
		if !h.Owner {
			req.Fail(http.StatusForbidden, words.Say("begin.owner_folds"))
			return nil
		}
	default:
		return site.ErrNotFound
	}
	if err := req.Site.TickFirstHour(step); err != nil {
		return err
	}
	if step == site.FirstHourShut {
		return req.Redirect("/clinic")
	}
	return req.Redirect(FirstHourPath)
}
