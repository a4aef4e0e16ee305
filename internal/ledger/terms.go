package ledger

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"thawtrail/internal/event"
	pb "thawtrail/proto/thawtrail/v1"
)

// Terms are the words under which an entity is found without reading every
// state of its kind. They follow from the state alone.

// Terms that queries look for.
const (
	TermStock      = "stock"       // bags that have not left the stock
	TermInUse      = "in_use"      // bags thawed or running and not yet ended
	TermRunning    = "running"     // cases in which a bag runs
	TermAfter      = "after"       // open cases that had plasma, and in which nothing runs
	TermRecheckDue = "recheck_due" // closed or open cases that wait for a recheck
	TermForgotten  = "forgotten"   // clients who asked to be forgotten
	TermUnproven   = "unproven"    // any entity with an act without the proof that it asked for
	TermUnsigned   = "unsigned"    // any entity with an entry that nobody has signed yet
)

// LineTerms begin the terms under which bags in stock are listed: each row of one holds
// the short line of its bag, so that such a list reads no other row.
var LineTerms = []string{TermStock, TermInUse, TermPlace("")}

// HoldsLine says that the rows of a term hold short lines.
func HoldsLine(term string) bool {
	return slices.ContainsFunc(LineTerms, func(start string) bool { return strings.HasPrefix(term, start) })
}

// Dated terms list what grows for years: each entity stands at a moment (Dated),
// so that the newest are found first and the rest page by page.
const (
	TermOpenCase   = "open_case"   // cases without an outcome, when they were opened
	TermClosedCase = "closed_case" // the others
	TermGone       = "gone"        // bags that have left the stock, when they did
	TermHeld       = "held"        // batches with a hold or recall that stands, at their last delivery
	TermFree       = "free"        // the other batches
	TermDoubt      = "doubt"       // any entity with a discrepancy, open or not, at the newest
	TermOpenDoubt  = "open_doubt"  // any entity with an open discrepancy
	TermCorrected  = "corrected"   // any entity with a corrected entry, when the last correction was written
	TermLate       = "late"        // cases with entries made afterwards, when the last one was
	TermAwaited    = "awaited"     // mares whose foals are awaited, about when
	TermOrdered    = "ordered"     // orders that neither arrived nor were cancelled, when they were placed
)

// TermPlace is the word for bags in stock at a place.
func TermPlace(place string) string { return "place:" + place }

// TermStockOf is the word for bags in stock of a batch, by its id.
func TermStockOf(batch string) string { return "stock_of:" + batch }

// TermCaseOf is the dated term for the cases of a client's horses, by the client's id.
func TermCaseOf(client string) string { return "case_of:" + client }

// TermMareOf is the word for mares of a client, by the client's id.
func TermMareOf(client string) string { return "mare_of:" + client }

// TermSealedFor is the word for cases and mares in which words stand that are sealed
// under a client's key, by the client's id: a key that comes alone finds what needs it.
func TermSealedFor(client string) string { return "sealed_for:" + client }

// sealedTerms are those of words that may be there.
func sealedTerms(all ...*SealedFor) (out []string) {
	for _, s := range all {
		if s == nil {
			continue
		}
		if term := TermSealedFor(s.Client); !slices.Contains(out, term) {
			out = append(out, term)
		}
	}
	return out
}

// TermHorse is the dated term for the cases of a horse, as patient or as dam, under one
// of its marks: a name, chip or UELN. The mark stands in it as a hash, so that no name is
// in clear among the index's words.
func TermHorse(mark string) string {
	sum := sha256.Sum256([]byte("thawtrail horse 1\x00" + HorseMark(mark)))
	return "horse:" + hex.EncodeToString(sum[:12])
}

// HorseMark is a mark as marks are compared: in capitals, with single blanks.
func HorseMark(text string) string { return strings.ToUpper(strings.Join(strings.Fields(text), " ")) }

// TermOpenDoubtOf is the dated term for entities with an open discrepancy of a kind.
func TermOpenDoubtOf(kind string) string { return TermOpenDoubt + ":" + kind }

// Dated is a dated term at a moment. Later moments sort behind earlier ones.
func Dated(term string, ms int64) string { return fmt.Sprintf("%s@%016x", term, max(ms, 0)) }

// TermOverrides begins the words for cautions that were gone past.
const TermOverrides = "overrides:"

// term is the word for a count of cautions gone past.
func (o OverrideCount) term() string {
	return fmt.Sprintf("%s%s:%d:%s", TermOverrides, o.Month, o.N, o.Code)
}

// IsDated says that a term is the dated one, at whatever moment.
func IsDated(term, of string) bool { return strings.HasPrefix(term, of+"@") }

// OverridesOf reads a term that begins with TermOverrides.
func OverridesOf(term string) (o OverrideCount, ok bool) {
	parts := strings.SplitN(strings.TrimPrefix(term, TermOverrides), ":", 3)
	if len(parts) < 3 {
		return o, false
	}
	n, err := strconv.Atoi(parts[1])
	return OverrideCount{Month: parts[0], N: n, Code: parts[2]}, err == nil
}

// Terms lists the words of a state.
func Terms(s State) []string {
	var out []string
	for _, o := range s.overridden() {
		out = append(out, o.term())
	}
	if ms := s.correctedMs(); ms > 0 {
		out = append(out, Dated(TermCorrected, ms))
	}
	if s.told() {
		out = append(out, listTerms(s)...)
	}
	return slices.Concat(out, doubtTerms(s.Discrepancies()), proofTerms(s.Story()))
}

// listTerms are those under which lists find what stands.
func listTerms(s State) []string {
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
		out = s.terms()
	case *Mare:
		out = s.terms()
	case *Order:
		out = s.terms()
	}
	return out
}

// doubtTerms finds an entity by its discrepancies.
func doubtTerms(ds []Discrepancy) []string {
	var out []string
	var newest, open int64
	for _, d := range ds {
		newest = max(newest, d.OccurredMs)
		if d.Open {
			open = max(open, d.OccurredMs)
			out = append(out, Dated(TermOpenDoubtOf(d.Kind), d.OccurredMs))
		}
	}
	if len(out) > 0 {
		out = append(out, Dated(TermOpenDoubt, open))
	}
	if len(ds) > 0 {
		out = append(out, Dated(TermDoubt, newest))
	}
	return out
}

// proofTerms finds an entity by what was entered without a proof of who did.
func proofTerms(story []Entry) []string {
	var out []string
	var marks Marks
	for _, e := range story {
		if e.Marks&(MarkVoided|MarkElsewhere) == 0 {
			marks |= e.Marks
		}
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
	var out []string
	if b.Ended != "" {
		out = append(out, Dated(TermGone, b.goneMs()))
	}
	switch {
	case b.Running():
		return append(out, TermInUse)
	case b.Ended != "":
		return out
	}
	out = append(out, TermStock)
	if b.Place != "" {
		out = append(out, TermPlace(b.Place))
	}
	if l := b.Label; l != nil && l.Batch != "" {
		out = append(out, TermStockOf(event.BatchID(l.Product, l.Batch)))
	}
	if len(b.Thaws) > 0 || len(b.Sets) > 0 {
		out = append(out, TermInUse)
	}
	return out
}

// goneMs is when the bag left the stock; of one that hangs, when it was hung.
func (b *Bag) goneMs() int64 {
	ms := int64(0)
	for _, u := range b.Uses {
		if u.Start != nil {
			ms = max(ms, u.Start.AtMs)
		}
	}
	for _, e := range b.Ends {
		ms = max(ms, e.Stamp.AtMs)
	}
	return ms
}

func (b *Batch) terms() []string {
	ms := int64(0)
	for _, s := range b.Stock {
		ms = max(ms, s.Stamp.AtMs)
	}
	if len(b.Standing()) > 0 {
		return []string{Dated(TermHeld, ms)}
	}
	return []string{Dated(TermFree, ms)}
}

func (c *Case) terms() []string {
	var out []string
	if c.Open() {
		out = append(out, Dated(TermOpenCase, c.OpenedMs()))
	} else {
		out = append(out, Dated(TermClosedCase, c.OpenedMs()))
	}
	if c.Running {
		out = append(out, TermRunning)
	} else if c.Open() && len(c.Transfusions) > 0 {
		out = append(out, TermAfter)
	}
	if len(c.RecheckPlans) > 0 && !c.Rechecked() && c.mayBeRechecked() {
		out = append(out, TermRecheckDue)
	}
	late := int64(0)
	for _, e := range c.Timeline {
		if e.Marks.Has(MarkLate) && e.Stands() {
			late = max(late, e.WallMs)
		}
	}
	if late > 0 {
		out = append(out, Dated(TermLate, late))
	}
	return slices.Concat(out, c.Patient.terms(), sealedTerms(c.sealedWords()...))
}

// terms find a patient's cases by the client and by every mark of patient and dam.
func (p *Patient) terms() []string {
	if p == nil {
		return nil
	}
	var out []string
	if p.Client != "" {
		out = append(out, Dated(TermCaseOf(p.Client), p.Stamp.AtMs))
	}
	for _, mark := range []string{p.DamName, p.DamChip, p.DamUeln, p.Name, p.Chip} {
		if term := Dated(TermHorse(mark), p.Stamp.AtMs); mark != "" && !slices.Contains(out, term) {
			out = append(out, term)
		}
	}
	return out
}

// OpenedMs is when the case was opened; while its opening is not here, when the
// first that is known of it happened.
func (c *Case) OpenedMs() int64 {
	switch {
	case c.Patient != nil:
		return c.Patient.Stamp.AtMs
	case len(c.Timeline) > 0:
		return c.Timeline[0].AtMs
	}
	return 0
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

// HasBaseline says that a look is marked as the one to compare with. A set is
// temperature, heart and breathing rate together.
func (c *Case) HasBaseline() bool {
	return slices.ContainsFunc(c.Vitals, func(v Vitals) bool {
		return v.Baseline && v.TemperatureDc != nil && v.HeartRate != nil && v.BreathingRate != nil
	})
}

// Named says that people give entities of a kind a name.
func Named(kind string) bool {
	switch kind {
	case event.KindPerson, event.KindPlace, event.KindPractice, event.KindVehicle, event.KindDonor, event.KindProduct, event.KindMare:
		return true
	}
	return false
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
	case *Mare:
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

// Knows says that a log is one of the practice's own: of a laptop that was ever
// taken in, shut out since or not, or let in by itself. Before there is a practice
// all are.
func (r *Rights) Knows(log event.LogID, device []byte) bool {
	if !r.Founded() || r.HasDevice(device) {
		return true
	}
	l := r.log(log)
	return l != nil && l.Upto >= 0
}

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
