package engine

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"thawtrail/internal/caution"
	"thawtrail/internal/refusal"
)

// ShelfState is one thing that is true of a bag; several can hold at once.
type ShelfState string

// The states, gravest first.
const (
	ShelfUnfit       ShelfState = "unfit"        // not to be given
	ShelfOnHold      ShelfState = "on_hold"      // a batch or bag hold stands
	ShelfQuarantined ShelfState = "quarantined"  // a person has to decide first
	ShelfExpired     ShelfState = "expired"      // past the earliest of its clocks
	ShelfSetAttached ShelfState = "set_attached" // a set was attached or the bag entered
	ShelfThawed      ShelfState = "thawed"       // softened or thawed, wholly or in part
	ShelfFrozen      ShelfState = "frozen"       // never softened
)

var shelfStates = []ShelfState{ShelfUnfit, ShelfOnHold, ShelfQuarantined, ShelfExpired, ShelfSetAttached, ShelfThawed, ShelfFrozen}

// ShelfStates lists the states, gravest first.
func ShelfStates() []ShelfState { return slices.Clone(shelfStates) }

// ShelfInput is what is known of one bag. A zero time means that it has not
// happened. A fact that is dated after At counts as having happened: the laptop's
// clock is the likelier error.
type ShelfInput struct {
	Expiry        string // the label's text, see ReadExpiry; empty: not known
	ThawStartedAt time.Time
	ThawedAt      time.Time // wholly thawed
	SetAttachedAt time.Time // set attached, or the bag entered in any way
	KeptAtC       *float64  // where it lay since the thaw; nil: not known
	Softened      bool      // found soft or reshaped: thawed once, whatever it is now
	Refrozen      bool
	RefrozenAt    time.Time
	Held          bool
	Quarantined   bool

	Warm []Excursion // warm times of the freezer in which it lay: a person decides

	UnfitBecause      []string // cracked, leaking, clots, label unreadable …
	HeldBecause       []string // also sets Held
	QuarantineBecause []string // also sets Quarantined

	CardUseByHours *float64       // the label card's hours after thaw; wins when stricter
	At             time.Time      // the moment asked about
	Zone           *time.Location // where the label's day ends; nil: At's own offset, with a note
}

// ShelfResult says until when a bag is good and why. Elapsed hours are counted
// between instants, so a change of clocks neither adds nor takes one. Everything
// is compared in whole seconds; at UseBy itself the bag is still good.
type ShelfResult struct {
	Basis
	State   ShelfState   // the gravest
	States  []ShelfState // all that hold, gravest first
	UseBy   time.Time    // the earliest clock, in Zone; zero: no clock is known
	Because []string     // one sentence for each reason, gravest first
	// What the rule for human source plasma would call it after its warm times:
	// information only, and empty without any.
	SourcePlasmaClass ExcursionClass
}

// Hours after thaw. Human rules are the strictest that can be cited; clotting
// factors, not IgG, drive them.
const (
	unknownKeepHours  = 4.0
	fridgeKeepHours   = 24.0
	setAttachedHours  = 4.0
	fridgeLowC        = 1.0
	fridgeHighC       = 6.0
	warmRoomC         = 24.0
	srcFridge         = "1 to 6 C, 24 h after thaw: AABB Circular of Information (human)"
	srcRoom           = "22 +/- 2 C, 4 h after thaw, never refrozen: UK Blood Transfusion Services (human)"
	srcSetAttached    = "once spiked or out of control, finish within 4 h: NZ Transfusion Handbook 3.11 (human red cells); 21 CFR 606.122 (platelets)"
	srcLabelDay       = "the label's expiry date; its day ends at local midnight (common practice)"
	srcGs1Date        = "GS1 General Specifications 7.12: day 00 is the month's last, years 49 back to 50 ahead"
	refrozenBecause   = "refrozen after it had softened: it must not be given (UK Blood Transfusion Services: must not be refrozen)"
	softTimeUnknown   = "it softened at a time that nobody noted, so no clock can be started: a person decides"
	whenLayout        = "Mon 2006-01-02 15:04 MST"
	earliestShelfYear = 1990
	latestShelfYear   = 2199
)

var (
	keptUnknown = caution.Define("kept_temperature_unknown", caution.Note,
		"Where the bag lay since the thaw is not known: %s h. At 1 to 6 C it would be %s h.")
	keptTooCold = caution.Define("kept_near_freezing", caution.Caution,
		"%s C is colder than 1 C: a thawed bag may freeze again there, and refrozen is unfit. %s h is used.")
	keptWarm = caution.Define("kept_warm", caution.Note,
		"%s C is warmer than the 22 +/- 2 C for which 4 h is published: sooner is better.")
	expiryUnknown = caution.Define("expiry_unknown", caution.Caution,
		"The label's expiry is not known: only the other clocks are counted.")
	expiryGs1 = caution.Define("expiry_read_as_gs1", caution.Note,
		"'%s' was read as the GS1 date %s (year, month, day): check it with the label.")
	thawTimeUnknown = caution.Define("thaw_time_unknown", caution.Reason,
		"The bag has softened, but no thaw time was noted: its use-by cannot be told.")
	factAhead = caution.Define("time_is_ahead", caution.Caution,
		"%s (%s) is after the moment asked about (%s): is this laptop's clock right? It counts as having happened.")
	factOrder = caution.Define("times_out_of_order", caution.Caution,
		"%s (%s) is before %s (%s): check both. The earliest clock counts.")
	cardLooser = caution.Define("card_looser_than_default", caution.Note,
		"The label card allows %s h after thaw, the cautious default is %s h: the stricter stands.")
	zoneMissing = caution.Define("zone_not_given", caution.Note,
		"No time zone was given: the label's day ends by the offset %s of the moment asked about.")
)

var (
	boundsKept = bounds{field: "kept_at_c", unit: "C", hardLow: -90, hardHigh: 60,
		hint: "Fahrenheit? 39 F is 4 C"}
	boundsCardHours = bounds{field: "card_use_by_hours", unit: "h", hardLow: 0.25, hardHigh: 720,
		hint: "hours, not minutes or days"}
)

// shelfClock is one reason why a bag stops being good.
type shelfClock struct {
	until time.Time
	why   string
}

// Shelf tells the states of a bag at a moment and its use-by: the earliest of
// the label's expiry, the thaw clock (from complete thaw, else from its start)
// and the clock of an attached set. The label card wins where it is stricter.
// It refuses an expiry text with two meanings and a date that does not exist.
func Shelf(in ShelfInput) (ShelfResult, error) {
	var r ShelfResult
	s := shelf{in: in, r: &r, zone: in.Zone}
	if err := s.check(); err != nil {
		return ShelfResult{}, err
	}
	if err := s.labelClock(); err != nil {
		return ShelfResult{}, err
	}
	if err := s.warmTimes(); err != nil {
		return ShelfResult{}, err
	}
	s.thawClocks()
	s.earliest()
	s.states()
	r.say(labelDecides)
	r.Versions = []string{Version}
	return r, nil
}

// shelf is one answer in the making.
type shelf struct {
	in     ShelfInput
	r      *ShelfResult
	zone   *time.Location
	card   float64 // hours; 0: none
	clocks []shelfClock
	blind  bool // softened, and no time is known for it
}

// stamp is a named fact with its time.
type stamp struct {
	field string
	at    time.Time
}

func (s *shelf) stamps() []stamp {
	return []stamp{
		{"thaw_started_at", s.in.ThawStartedAt}, {"thawed_at", s.in.ThawedAt},
		{"set_attached_at", s.in.SetAttachedAt}, {"refrozen_at", s.in.RefrozenAt},
	}
}

// check refuses impossible inputs and cautions about times in an odd order.
func (s *shelf) check() error {
	c := &inputs{basis: &s.r.Basis}
	if s.in.KeptAtC != nil {
		c.one(boundsKept, *s.in.KeptAtC)
	}
	s.card = c.or(boundsCardHours, s.in.CardUseByHours, 0)
	c.moment("at", s.in.At)
	for _, f := range s.stamps() {
		if !f.at.IsZero() {
			c.moment(f.field, f.at)
		}
	}
	if c.err != nil {
		return c.err
	}
	if s.zone == nil {
		s.zone = s.in.At.Location()
		if s.in.Expiry != "" {
			c.basis.caution(zoneMissing.With(s.in.At.Format("-07:00")))
		}
	}
	s.order()
	return nil
}

// moment refuses a time that no laptop of ours can mean.
func (c *inputs) moment(field string, at time.Time) {
	if at.IsZero() {
		c.refuse(refusal.New(field, "", "a date and time with its offset, such as 2026-03-07T20:00:00-05:00"))
	} else if !sensible(at) {
		c.refuse(refusal.New(field, at.Format(time.RFC3339), fmt.Sprintf("a time from %d to %d", earliestShelfYear, latestShelfYear)).Because("check the year"))
	}
}

func sensible(at time.Time) bool {
	return at.Year() >= earliestShelfYear && at.Year() <= latestShelfYear
}

func (s *shelf) order() {
	var last stamp
	for _, f := range s.stamps() {
		if f.at.IsZero() {
			continue
		}
		if f.at.After(s.in.At) {
			s.r.caution(factAhead.With(f.field, s.when(f.at), s.when(s.in.At)))
		}
		if f.at.Before(last.at) {
			s.r.caution(factOrder.With(f.field, s.when(f.at), last.field, s.when(last.at)))
		}
		last = f
	}
}

func (s *shelf) when(t time.Time) string { return t.In(s.zone).Format(whenLayout) }

// earliest sets the use-by. A bag that softened at an unknown time has none: the
// label's day alone would promise too much.
func (s *shelf) earliest() {
	slices.SortStableFunc(s.clocks, func(a, b shelfClock) int { return a.until.Compare(b.until) })
	if len(s.clocks) > 0 && !s.blind {
		s.r.UseBy = s.clocks[0].until.In(s.zone)
	}
}

func (s *shelf) refrozen() bool { return s.in.Refrozen || !s.in.RefrozenAt.IsZero() }

func (s *shelf) softened() bool {
	return s.in.Softened || s.refrozen() || !s.in.ThawStartedAt.IsZero() || !s.in.ThawedAt.IsZero() || !s.in.SetAttachedAt.IsZero()
}

// hold adds a state with its reasons.
func (s *shelf) hold(state ShelfState, because ...string) {
	s.r.States = append(s.r.States, state)
	name := strings.ReplaceAll(string(state), "_", " ")
	for _, b := range because {
		s.r.Because = append(s.r.Because, name+": "+b)
	}
}

// states lists what holds, gravest first.
func (s *shelf) states() {
	unfit := slices.Clone(s.in.UnfitBecause)
	if s.refrozen() {
		unfit = append([]string{refrozenBecause}, unfit...)
	}
	if len(unfit) > 0 {
		s.hold(ShelfUnfit, unfit...)
	}
	if s.in.Held || len(s.in.HeldBecause) > 0 {
		s.hold(ShelfOnHold, orElse(s.in.HeldBecause, "a hold stands; only the clinic releases it")...)
	}
	quarantine := slices.Clone(s.in.QuarantineBecause)
	if s.blind && !s.refrozen() {
		quarantine = append(quarantine, softTimeUnknown)
	}
	if s.in.Quarantined || len(quarantine) > 0 {
		s.hold(ShelfQuarantined, orElse(quarantine, "a person has to decide first")...)
	}
	s.clockStates()
	s.r.State = s.r.States[0]
}

// clockStates adds expired and what the bag physically is, each clock told once.
func (s *shelf) clockStates() {
	if past := s.past(); len(past) > 0 {
		s.hold(ShelfExpired, past...)
	}
	if !s.in.SetAttachedAt.IsZero() {
		s.hold(ShelfSetAttached, "a set was attached on "+s.when(s.in.SetAttachedAt))
	}
	if s.softened() {
		s.hold(ShelfThawed, "softened once; it never becomes frozen again")
	} else {
		s.hold(ShelfFrozen, "no softening is known")
	}
	if !s.r.UseBy.IsZero() && !s.over(s.r.UseBy) {
		promise := "good until %s, because %s"
		if slices.Contains([]ShelfState{ShelfUnfit, ShelfOnHold, ShelfQuarantined}, s.r.States[0]) {
			promise = "not to be given as it stands; its use-by is %s, because %s"
		}
		s.r.Because = append(s.r.Because, fmt.Sprintf(promise, s.when(s.r.UseBy), s.clocks[0].why))
	}
}

func (s *shelf) over(t time.Time) bool { return s.in.At.Truncate(time.Second).After(t) }

// past lists the clocks that have run out.
func (s *shelf) past() []string {
	var out []string
	for _, c := range s.clocks {
		if s.over(c.until) {
			out = append(out, fmt.Sprintf("good until %s, because %s", s.when(c.until), c.why))
		}
	}
	return out
}

func orElse(given []string, otherwise string) []string {
	if len(given) == 0 {
		return []string{otherwise}
	}
	return given
}
