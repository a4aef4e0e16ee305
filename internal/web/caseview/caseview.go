package caseview

import (
	"slices"
	"time"

	"thawtrail/internal/engine"
	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/query"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
)

// View is one case as the pages of its path need it, read at one moment.
type View struct {
	site.Header
	ID       string
	C        *ledger.Case
	Now      time.Time
	Zone     *time.Location
	Here     bool   // this device wrote of the case
	Kind     string // foal, horse or donkey
	Word     string // for sentences: the foal, or the patient
	Bags     []*Bag
	Protocol *ledger.ProtocolVersion // the practice's own numbers; nil: none
	Watch    engine.VitalsWatch      // what the vitals mean
	StepUp   engine.StepUp           // whether the rate may go up
	After    []query.FollowUp        // what is due after plasma, the first first
	PlasmaMl int32                   // by vein in the last 24 h
	OtherMl  int32                   // other fluids by vein in the last 24 h
	Currency string
	Igg      string       // before plasma
	answerer string       // who answered the offer of a clinic last
	Beside   query.Beside // the customary units that are shown beside those of the record

	Steps []*Step
	Next  *Step

	assessed  engine.AssessResult
	assessErr error // what the engine refused

	Locked bool // the browser is locked: no way on from this case

	// Read hands on a read view again.
	Read func(func(*query.ReadView) error) error
}

// Bag is one bag of a case.
type Bag struct {
	ID, Number, Product, ProductID, Batch, Expiry, Place string
	VolumeMl                                             int32
	OtherMl                                              int32 // of it, what the twin had
	IggCgPerL                                            int32 // of the plasma; 0 when not known
	Card                                                 *ledger.Card
	CardLines                                            []query.Line // all that the label says
	Stage                                                string
	Known                                                bool
	Because                                              []string // what stands against it, and until when
	State                                                string
	Bad                                                  bool // unfit, on hold, quarantined or expired
	UseBy                                                time.Time
	Holds                                                []string
	ThawAt, ThawedAt                                     time.Time
	BathC                                                string // as last measured
	BathAt                                               time.Time
	WaterL                                               string
	TornAt                                               string // its label cannot be read; when two looks confirmed the books
	T                                                    *ledger.Transfusion
	Against                                              query.Against // what speaks against giving it here
	caseID                                               string
}

// FullMl is what this patient can have of the bag at the most: the label's volume
// less what the twin had.
func (b *Bag) FullMl() int32 { return max(0, b.VolumeMl-b.OtherMl) }

// DayMl is all that the patient had by vein in the last 24 h.
func (cv *View) DayMl() int32 { return cv.PlasmaMl + cv.OtherMl }

// AcceptedMl is what of a bag is to be given by the plan that was accepted: all of it,
// or the part at which to stop. Of a bag outside the plan, all that the patient can
// have.
func (cv *View) AcceptedMl(b *Bag) int32 {
	return query.AcceptedMl(cv.C, b.ID, func(id string) int32 {
		if known := cv.Find(id); known != nil {
			return known.FullMl()
		}
		return 0
	})
}

// Stages of a bag in a case.
const (
	Planned = "planned"
	Checked = "checked"
	Thawing = "thawing"
	Thawed  = "thawed"
	Ready   = "ready" // checked before the set goes in
	Running = "running"
	Ended   = "ended"
)

// Of reads the case that the address names.
func Of(req *site.Request, text string) (*View, error) {
	cv := &View{Now: req.Now, Locked: req.Locked, Read: req.Read}
	err := req.ReadCase(text, func(l *query.ReadView, c *ledger.Case) error {
		cv.ID, cv.C = c.Entity.ID, c
		return cv.read(l)
	})
	if err != nil {
		return nil, err
	}
	cv.path()
	return cv, nil
}

func (cv *View) read(l *query.ReadView) (err error) {
	c := cv.C
	_, elsewhere := l.Holder(c)
	cv.Zone, cv.Beside, cv.Here = l.Zone(), l.Beside(), l.WrittenHere(c.Timeline) && !elsewhere
	cv.assessed, cv.assessErr = l.Assess(c, cv.Now)
	cv.PlasmaMl, cv.OtherMl = l.VolumesOfDay(c)
	if p := l.Practice(); p != nil {
		cv.Currency = p.Currency
	}
	cv.Header = site.HeaderOf(l, c, cv.Now)
	if p := c.Patient; p != nil {
		cv.Kind = words.Enum(p.Kind)
	}
	if cv.Word = words.Say("word.patient"); c.Foal() {
		cv.Word = words.Say("word.foal")
	}
	if n := len(c.Referrals); n > 0 {
		cv.answerer = l.Answerer(cv.ID, c.Referrals[n-1].Client, c.Referrals[n-1].By)
	}
	if t := cv.LastIgg(false); t != nil {
		cv.Igg = l.IggTest(t)
	}
	if cv.Protocol, err = l.Protocol(c); err != nil {
		return err
	}
	if cv.Watch, err = l.Watch(c); err != nil {
		return err
	}
	if cv.StepUp, err = l.StepUp(c, cv.Now); err != nil {
		return err
	}
	if cv.After, err = l.After(c); err != nil {
		return err
	}
	for _, id := range query.BagsOf(c) {
		b, err := cv.bag(l, id)
		if err != nil {
			return err
		}
		cv.Bags = append(cv.Bags, b)
	}
	return nil
}

// DosePlan is the plan of bags that stands; nil: none was accepted.
func (cv *View) DosePlan() *ledger.Plan { return query.PlanOf(cv.C, "dose") }

// RatePlan is the plan of the drip that stands; nil: none was accepted.
func (cv *View) RatePlan() *ledger.Plan { return query.PlanOf(cv.C, "drip") }

func (cv *View) bag(l *query.ReadView, id string) (*Bag, error) {
	b := &Bag{caseID: cv.ID, ID: id, Number: words.BagNumber(id), Stage: Planned, T: cv.C.Transfused(id)}
	bag, err := l.Bag(id)
	if err != nil {
		return nil, err
	}
	if bag != nil {
		if b.Against, err = l.Against(bag, cv.C, cv.Now); err != nil {
			return nil, err
		}
		if err := b.read(l, bag); err != nil {
			return nil, err
		}
	}
	b.stage(cv.C)
	return b, nil
}

func (b *Bag) read(l *query.ReadView, bag *ledger.Bag) (err error) {
	b.Place = l.Name(event.KindPlace, bag.Place)
	b.readThaw(l.Zone(), bag)
	if bag.Label == nil {
		return nil
	}
	b.Known = true
	b.ProductID, b.Product = bag.Label.Product, l.Name(event.KindProduct, bag.Label.Product)
	b.Batch, b.Expiry, b.VolumeMl = bag.Label.Batch, bag.Label.Expiry, bag.Label.VolumeMl
	if n := len(bag.Torn); n > 0 && bag.Torn[n-1].Confirmed {
		b.TornAt = words.Moment(time.UnixMilli(bag.Torn[n-1].Stamp.AtMs).In(l.Zone()))
	}
	for _, g := range bag.Given {
		if g.Case != b.caseID {
			b.OtherMl += g.Ml
		}
	}
	if err := b.readShelf(l, bag); err != nil {
		return err
	}
	if b.Card, err = l.Card(b.ProductID); err != nil {
		return err
	}
	if b.Card != nil {
		b.CardLines = l.CardLines(b.Card)
	}
	b.IggCgPerL, _, err = l.DonorIgg(bag.Label)
	return err
}

// readThaw reads the last thaw and the bath as last measured.
func (b *Bag) readThaw(zone *time.Location, bag *ledger.Bag) {
	if n := len(bag.Thaws); n > 0 {
		t := bag.Thaws[n-1]
		b.ThawAt = time.UnixMilli(t.Stamp.AtMs).In(zone)
		b.BathC, b.WaterL = words.TenthsOf(t.BathDc), words.TenthsOf(t.WaterLX10)
		b.BathAt = b.ThawAt
		if t.Complete != nil {
			b.ThawedAt = time.UnixMilli(t.Complete.AtMs).In(zone)
		}
	}
	if n := len(bag.Baths); n > 0 && bag.Baths[n-1].Stamp.AtMs >= b.ThawAt.UnixMilli() {
		b.BathC, b.BathAt = words.Tenths(bag.Baths[n-1].BathDc), time.UnixMilli(bag.Baths[n-1].Stamp.AtMs).In(zone)
	}
}

// readShelf reads what the bag's state is now, and what stands against it.
func (b *Bag) readShelf(l *query.ReadView, bag *ledger.Bag) error {
	shelf, err := l.Shelf(bag)
	if err != nil {
		return err
	}
	b.State, b.Because = string(shelf.State), shelf.Because
	if !shelf.UseBy.IsZero() {
		b.UseBy = shelf.UseBy.In(l.Zone())
	}
	switch shelf.State {
	case engine.ShelfUnfit, engine.ShelfOnHold, engine.ShelfQuarantined, engine.ShelfExpired:
		b.Bad = true
	}
	holds, err := l.HoldsOn(bag.Label)
	for _, h := range holds {
		b.Holds = append(b.Holds, words.Moment(time.UnixMilli(h.Stamp.AtMs).In(l.Zone()))+": "+h.Reason)
	}
	return err
}

// stage finds how far a bag has come in the case; later words win.
func (b *Bag) stage(c *ledger.Case) {
	if slices.ContainsFunc(c.BathChecks, func(k ledger.BathCheck) bool { return k.Bag == b.ID }) {
		b.Stage = Checked
	}
	if slices.ContainsFunc(c.Thaws, func(k ledger.CaseBag) bool { return k.Bag == b.ID }) {
		b.Stage = Thawing
		if !b.ThawedAt.IsZero() {
			b.Stage = Thawed
		}
	}
	if slices.ContainsFunc(c.HangChecks, func(k ledger.HangCheck) bool { return k.Bag == b.ID }) {
		b.Stage = Ready
	}
	if b.T != nil {
		b.Stage = Ended
		if b.T.Running {
			b.Stage = Running
		}
	}
}

// Open is the bag that runs, else the one that waits.
func (cv *View) Open() *Bag {
	for _, b := range cv.Bags {
		if b.Stage == Running {
			return b
		}
	}
	return cv.Waiting()
}

// Waiting is the first bag that neither runs nor is ended and against which nothing
// speaks: no page offers one that hangs elsewhere, is unfit, on hold or quarantined.
func (cv *View) Waiting() *Bag {
	for _, b := range cv.Bags {
		if b.Stage != Ended && b.Stage != Running && b.Against.None() {
			return b
		}
	}
	return nil
}

// Blocked are the bags that wait and cannot be given as they stand.
func (cv *View) Blocked() (out []*Bag) {
	for _, b := range cv.Bags {
		if b.Stage != Ended && b.Stage != Running && !b.Against.None() && b.Against.Gone == "" {
			out = append(out, b)
		}
	}
	return out
}

// wantsBag says that what was planned is not given, and that what waits of it cannot
// be given as it stands: another bag is chosen.
func (cv *View) wantsBag() bool {
	plan := cv.DosePlan()
	return plan != nil && cv.Open() == nil && len(cv.Blocked()) > 0 && cv.C.PlasmaMl < plan.VolumeMl
}

// Find is a bag of the case by its number.
func (cv *View) Find(id string) *Bag {
	for _, b := range cv.Bags {
		if b.ID == id {
			return b
		}
	}
	return nil
}

// At is a moment of the case for people.
func (cv *View) At(ms int64) string { return words.Moment(time.UnixMilli(ms).In(cv.Zone)) }

// LastIgg is the last test before plasma, or after it.
func (cv *View) LastIgg(recheck bool) *ledger.IggTest {
	for i := len(cv.C.IggTests) - 1; i >= 0; i-- {
		if cv.C.IggTests[i].Recheck == recheck {
			return &cv.C.IggTests[i]
		}
	}
	return nil
}

// Watched says that plasma runs in a case, or that the patient was treated or looked
// at a short while ago.
func (cv *View) Watched() bool {
	if cv.C.Running {
		return true
	}
	lately := cv.Now.Add(-watchedFor).UnixMilli()
	for i := range cv.C.Transfusions {
		if cv.C.Transfusions[i].LastMs() > lately {
			return true
		}
	}
	return len(cv.C.Transfusions) > 0 && slices.ContainsFunc(cv.C.Timeline, func(e ledger.Entry) bool {
		spec, ok := event.Lookup(e.Type)
		return ok && spec.Rule.GetSignLater() && e.AtMs > lately
	})
}

// watchedFor is how long a patient stays in reach of a locked browser after the last
// that was done: vitals are due half an hour after the end.
const watchedFor = time.Hour

// LastRun is the bag that was started last.
func (cv *View) LastRun() *Bag {
	n := len(cv.C.Transfusions)
	if n == 0 {
		return nil
	}
	return cv.Find(cv.C.Transfusions[n-1].Bag)
}

// ByCode says that a code stands in for a bag's start: the records of the laptop
// that began it are not here.
func (cv *View) ByCode(b *Bag) bool {
	return b.T != nil && len(b.T.Starts) > 0 && slices.ContainsFunc(cv.C.Adoptions, func(a ledger.Adoption) bool {
		return a.Stamp.Record == b.T.Starts[0].Record
	})
}

// TwinOf reads the open case of the other twin; nil when there is none here.
func (cv *View) TwinOf(req *site.Request) (*View, error) {
	id := ""
	err := cv.Read(func(l *query.ReadView) (err error) { id, err = l.Twin(cv.C); return err })
	if err != nil || id == "" {
		return nil, err
	}
	return Of(req, id)
}
