package ledger

import (
	"bytes"
	"slices"

	pb "thawtrail/proto/thawtrail/v1"
)

// Terms are the words under which an entity is found without reading every
// state of its kind. They follow from the state alone.

// Terms that queries look for.
const (
	TermStock      = "stock"       // bags that have not left the stock
	TermInUse      = "in_use"      // bags thawed or running and not yet ended
	TermOpenCase   = "open_case"   // cases without an outcome
	TermRunning    = "running"     // cases in which a bag runs
	TermRecheckDue = "recheck_due" // closed or open cases that wait for a recheck
	TermHeld       = "held"        // batches with a hold or recall that stands
	TermOpenDoubt  = "open_doubt"  // any entity with an open discrepancy
	TermForgotten  = "forgotten"   // clients who asked to be forgotten
	TermDoubt      = "doubt"       // any entity with a discrepancy, open or not
	TermUnproven   = "unproven"    // any entity with an act without the proof that it asked for
	TermUnsigned   = "unsigned"    // any entity with an entry that nobody has signed yet
)

// TermPlace is the word for bags in stock at a place.
func TermPlace(place string) string { return "place:" + place }

// Terms lists the words of a state.
func Terms(s State) []string {
	var out []string
	switch s := s.(type) {
	case *Bag:
		out = s.terms()
	case *Case:
		out = s.terms()
	case *Client:
		if s.Forgotten != nil {
			out = append(out, TermForgotten)
		}
	case *Batch:
		if len(s.Standing()) > 0 {
			out = append(out, TermHeld)
		}
	}
	ds := s.Discrepancies()
	if slices.ContainsFunc(ds, func(d Discrepancy) bool { return d.Open }) {
		out = append(out, TermOpenDoubt)
	}
	if len(ds) > 0 {
		out = append(out, TermDoubt)
	}
	var marks Marks
	for _, e := range s.Story() {
		marks |= e.Marks
	}
	if marks.Has(MarkNoProof) {
		out = append(out, TermUnproven)
	}
	if marks.Has(MarkUnsigned) {
		out = append(out, TermUnsigned)
	}
	return out
}

func (b *Bag) terms() []string {
	switch {
	case b.Running():
		return []string{TermInUse}
	case b.Ended != "":
		return nil
	}
	out := []string{TermStock}
	if b.Place != "" {
		out = append(out, TermPlace(b.Place))
	}
	if len(b.Thaws) > 0 || len(b.Sets) > 0 {
		out = append(out, TermInUse)
	}
	return out
}

func (c *Case) terms() []string {
	var out []string
	if c.Open() {
		out = append(out, TermOpenCase)
	}
	if c.Running {
		out = append(out, TermRunning)
	}
	if len(c.RecheckPlans) > 0 && !c.Rechecked() && c.mayBeRechecked() {
		out = append(out, TermRecheckDue)
	}
	return out
}

// Open says that no outcome was told.
func (c *Case) Open() bool { return len(c.Closings) == 0 }

// mayBeRechecked is false once the patient is dead or out of reach.
func (c *Case) mayBeRechecked() bool {
	switch c.Outcome() {
	case pb.Outcome_OUTCOME_DIED, pb.Outcome_OUTCOME_EUTHANASED, pb.Outcome_OUTCOME_LOST_TO_FOLLOW_UP:
		return false
	}
	return true
}

// HasBaseline says that vitals were noted before plasma.
func (c *Case) HasBaseline() bool {
	return slices.ContainsFunc(c.Vitals, func(v Vitals) bool { return v.Baseline }) ||
		slices.ContainsFunc(c.Exams, func(e Exam) bool { return e.HeartRate != nil })
}

// NameOf is the name that people gave an entity; empty for those without one.
func NameOf(s State) string {
	switch s := s.(type) {
	case *Person:
		return s.Name
	case *Place:
		return s.Name
	case *Practice:
		return s.Name
	case *Vehicle:
		return s.Name
	case *Donor:
		return s.Name
	case *Product:
		if c := s.Card(); c != nil {
			return c.Name
		}
	}
	return ""
}

// Founded says that there is a practice, so that rights count.
func (r *Rights) Founded() bool { return r != nil && r.Founding != nil }

// Admits says that a laptop is in the practice: taken in, and not shut out since.
// One that was shut out does not come back by being added again.
func (r *Rights) Admits(id []byte) bool {
	if !r.HasDevice(id) {
		return false
	}
	_, shut := slices.BinarySearchFunc(r.ShutOut, id, bytes.Compare)
	return !shut
}

// HasDevice says that a laptop was taken into the practice.
func (r *Rights) HasDevice(id []byte) bool {
	return r != nil && slices.ContainsFunc(r.Devices, func(d DeviceRight) bool { return bytes.Equal(d.Device, id) })
}
