package rehearse

import (
	"context"
	"slices"

	"thawtrail/internal/ledger"
	"thawtrail/internal/query"
	"thawtrail/internal/replica"
	"thawtrail/internal/say"
)

// moment is how far the night has come.
type moment int

const (
	call   moment = iota // no case is open yet
	exam                 // the foal is looked at
	bath                 // a bag is in the water bath
	held                 // its batch is on hold
	road                 // another bag is in the bath, and the link is lost
	hang                 // that bag is thawed
	runs                 // plasma runs
	reacts               // and the foal reacts
	shut                 // the clamp is shut
	ends                 // the bag has ended
	waits                // the link is back
	played               // all is with the clinic
)

// looksBefore is how many looks at the foal it takes until it reacts.
const looksBefore = 2

// deeds are what the script has done.
type deeds struct {
	bathMs    int64 // when it first saw a bag in the bath, by the machine's monotonic clock
	held      bool
	cut, back bool
}

// facts are what the case of the rehearsal says.
type facts struct {
	thaws                   []string // bags put into the bath
	bag                     *ledger.BagLabel
	thawed                  bool // the last of them
	started, running, ended bool
	clamped, reacted        bool
	looks                   int // since plasma began to run
	opened                  bool
	unsent                  int
}

// read takes the facts of the case, the first that was opened.
func (a *act) read(ctx context.Context) (f facts, err error) {
	err = query.Reader{Replica: a.laptop}.View(ctx, func(l *query.ReadView) error {
		f.unsent = l.Unsent()
		id, err := a.patient(l)
		if err != nil || id == "" {
			return err
		}
		c, err := l.Case(id)
		if err != nil || c == nil {
			return err
		}
		f.ofCase(c)
		if len(f.thaws) == 0 {
			return nil
		}
		if f.bag, err = labelOf(l, f.thaws[0]); err != nil {
			return err
		}
		last, err := query.Get[*ledger.Bag](l, "bag", f.thaws[len(f.thaws)-1])
		f.thawed = last != nil && slices.ContainsFunc(last.Thaws, func(t ledger.Thaw) bool { return t.Complete != nil })
		return err
	})
	return f, err
}

// patient is the case that the night is about: the first that is found.
func (a *act) patient(l *query.ReadView) (string, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	for _, term := range []string{ledger.TermOpenCase, ledger.TermClosedCase} {
		if a.caseID != "" {
			break
		}
		found, err := l.Newest(term, 1)
		if err != nil {
			return "", err
		}
		if len(found) > 0 {
			a.caseID = found[0].ID
		}
	}
	return a.caseID, nil
}

func labelOf(l *query.ReadView, id string) (*ledger.BagLabel, error) {
	b, err := query.Get[*ledger.Bag](l, "bag", id)
	if b == nil || err != nil {
		return nil, err
	}
	return b.Label, nil
}

func (f *facts) ofCase(c *ledger.Case) {
	f.opened, f.running, f.clamped, f.reacted = true, c.Running, c.Clamped, len(c.Reactions)+len(c.Drugs) > 0
	for _, t := range c.Thaws {
		if !slices.Contains(f.thaws, t.Bag) {
			f.thaws = append(f.thaws, t.Bag)
		}
	}
	f.started = len(c.Transfusions) > 0
	f.ended = f.started && !c.Running
	if !f.started {
		return
	}
	for _, v := range c.Vitals {
		if !v.Baseline && v.Stamp.AtMs >= c.Transfusions[0].FirstMs() {
			f.looks++
		}
	}
}

// at is the moment that facts and deeds come to.
func (f *facts) at(d deeds, linked bool) moment {
	switch {
	case f.ended && d.back && linked && f.unsent == 0:
		return played
	case f.ended && d.back:
		return waits
	case f.ended:
		return ends
	case f.running && f.clamped:
		return shut
	case f.running && f.looks >= looksBefore:
		return reacts
	case f.running:
		return runs
	case len(f.thaws) > 1 && f.thawed:
		return hang
	case len(f.thaws) > 1:
		return road
	case d.held:
		return held
	case len(f.thaws) > 0:
		return bath
	case f.opened:
		return exam
	}
	return call
}

// words say what goes on at a moment.
func (m moment) words() string {
	switch m {
	case call:
		return say.Text("rehearsal.call")
	case exam:
		return say.Text("rehearsal.exam")
	case bath:
		return say.Text("rehearsal.bath")
	case held:
		return say.Text("rehearsal.held")
	case road:
		return say.Text("rehearsal.road")
	case hang:
		return say.Text("rehearsal.hang")
	case runs:
		return say.Text("rehearsal.runs")
	case reacts:
		return say.Text("rehearsal.reacts")
	case shut:
		return say.Text("rehearsal.shut")
	case ends, waits:
		return say.Text("rehearsal.waits")
	}
	return say.Text("rehearsal.played")
}

// Scene implements replica.Script.
func (a *act) Scene(ctx context.Context) (replica.Scene, error) {
	f, err := a.read(ctx)
	if err != nil {
		return replica.Scene{}, err
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	names := say.List("rehearsal.meetings")
	return replica.Scene{
		Text: f.at(a.done, a.linked()).words(), Passed: a.clock.By(), Real: slices.Clone(a.real), RealPages: a.stage.cfg.RealPages,
		Met: []replica.Meeting{{Name: names[0], Done: a.done.held}, {Name: names[1], Done: a.done.cut}, {Name: names[2], Done: f.started && f.looks >= looksBefore}},
	}, nil
}

func (a *act) linked() bool { return a.laptop.Link != nil && a.laptop.Link.State() == "connected" }
