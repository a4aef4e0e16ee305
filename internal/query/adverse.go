package query

import (
	"cmp"
	"context"
	_ "embed"
	"fmt"
	"slices"
	"strings"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// AdverseSchema is the JSON Schema of what GetAdverseSheet answers.
//
//go:embed adverse.schema.json
var AdverseSchema []byte

const srcAdverse = "elements of a report: VICH GL24 (October 2007) and GL42 (June 2010); what makes one valid, an identifiable reporter, animal or person, product and event, is from memory"

// GetAdverseSheet puts together what a report of an adverse event asks for, from what the
// case has, and names what is missing. Nothing is sent by it; a report that somebody made
// is a record of its own.
func (s Reader) GetAdverseSheet(ctx context.Context, req *pb.GetAdverseSheetRequest) (*pb.GetAdverseSheetResponse, error) {
	out := &pb.GetAdverseSheetResponse{}
	err := s.View(ctx, func(b *ReadView) error {
		if err := event.Typed(req); err != nil {
			return err
		}
		id, err := b.Resolve("case", event.KindCase, req.Case)
		if err != nil {
			return err
		}
		c, err := b.Case(id)
		if err != nil || c == nil {
			return err
		}
		a := &adverse{b: b, c: c, out: out, told: adverseTold(c)}
		a.kind = cmp.Or(req.Kind, a.told.Kind, kindOfEvents(c))
		return a.fill()
	})
	return out, err
}

// adverse is a sheet while it is put together.
type adverse struct {
	b    *ReadView
	c    *ledger.Case
	out  *pb.GetAdverseSheetResponse
	told ledger.AdverseDetail // the last word of each field
	kind pb.AdverseKind
}

// adverseTold takes the last word of each field.
func adverseTold(c *ledger.Case) (all ledger.AdverseDetail) {
	for i := range c.AdverseMore {
		d := &c.AdverseMore[i]
		all.Kind, all.Breed = cmp.Or(d.Kind, all.Kind), cmp.Or(d.Breed, all.Breed)
		all.Treated, all.Affected, all.Dead = cmp.Or(d.Treated, all.Treated), cmp.Or(d.Affected, all.Affected), cmp.Or(d.Dead, all.Dead)
		all.PreviousExposure, all.Assessment = cmp.Or(d.PreviousExposure, all.PreviousExposure), cmp.Or(d.Assessment, all.Assessment)
		all.OffLabel, all.Person = cmp.Or(d.OffLabel, all.OffLabel), cmp.Or(d.Person, all.Person)
		if len(d.Codes) > 0 {
			all.Codes = d.Codes
		}
	}
	return all
}

// kindOfEvents reads the kind off the words in which events were noted: an animal, where
// none of them tells otherwise.
func kindOfEvents(c *ledger.Case) pb.AdverseKind {
	kind := pb.AdverseKind_ADVERSE_KIND_ANIMAL
	for _, e := range c.Adverse {
		word := strings.ToLower(e.Event)
		switch {
		case strings.Contains(word, "needle"):
			return pb.AdverseKind_ADVERSE_KIND_PERSON
		case strings.Contains(word, "no rise"):
			kind = pb.AdverseKind_ADVERSE_KIND_LACK_OF_EFFICACY
		case strings.Contains(word, "label"):
			kind = pb.AdverseKind_ADVERSE_KIND_OFF_LABEL
		}
	}
	return kind
}

func (a *adverse) fill() error {
	a.out.Kind = event.EnumWord(a.kind.Descriptor().Values().ByNumber(a.kind.Number()))
	a.out.Freshness, a.out.Sources = a.b.freshness(), []string{srcAdverse}
	a.out.Assessment, a.out.OffLabel, a.out.Person = a.told.Assessment, a.told.OffLabel, a.told.Person
	if err := a.reporter(); err != nil {
		return err
	}
	for i := range a.c.Transfusions {
		if err := a.product(&a.c.Transfusions[i]); err != nil {
			return err
		}
	}
	a.animal()
	a.course()
	for i := range a.c.Adverse {
		if e := &a.c.Adverse[i]; e.ReportMade {
			a.out.Reported = append(a.out.Reported, &pb.AdverseReported{
				At: a.b.Stamp(e.Stamp.AtMs), Event: e.Event, To: e.To, Reference: e.Reference, By: a.b.Person(e.Stamp.Author),
			})
		}
	}
	a.missing()
	return nil
}

// reporter is who noted the event last, else who gave the last bag.
func (a *adverse) reporter() error {
	person := ""
	if n := len(a.c.Transfusions); n > 0 && len(a.c.Transfusions[n-1].Starts) > 0 {
		person = a.c.Transfusions[n-1].Starts[0].Author
	}
	for _, e := range a.c.Adverse {
		person = cmp.Or(e.Stamp.Author, person)
	}
	r := &pb.AdverseReporter{}
	if person != "" {
		r.Name = a.b.Person(person)
	}
	if p := a.b.Practice(); p != nil {
		r.Practice = p.Name
	}
	own, err := a.b.TelephoneOf(person)
	if err != nil {
		return err
	}
	practice, err := a.b.Telephone()
	r.Telephone = cmp.Or(own, practice)
	a.out.Reporter = r
	return err
}

func (a *adverse) product(t *ledger.Transfusion) error {
	b := a.b
	p := &pb.AdverseProduct{Bag: t.Bag, Batch: t.Batch, GivenMl: t.CountedMl(), StartedAt: b.Stamp(t.FirstMs()), EndedAt: b.Stamp(t.LastMs()), Route: wording.Enum(pb.ProductRoute_PRODUCT_ROUTE_VEIN)}
	if len(t.Starts) > 0 {
		p.GivenBy = b.Person(t.Starts[0].Author)
	}
	of := t.Product
	line, known, err := b.bagLine(t.Bag)
	if err != nil {
		return err
	}
	if known && line.Label != nil {
		of, p.Batch, p.Expiry, p.Serial = line.Label.Product, line.Label.Batch, line.Label.Expiry, line.Label.Serial
	}
	p.Product = b.Name(event.KindProduct, of)
	card, err := b.Card(of)
	if err != nil {
		return err
	}
	if card != nil {
		p.Maker, p.RegistrationNumber, p.Storage = card.Maker, card.RegistrationNumber, card.Storage
	}
	for _, r := range a.c.Rates {
		if r.Bag == "" || r.Bag == t.Bag {
			p.MlPerH = max(p.MlPerH, r.MlPerH)
		}
	}
	a.out.Products = append(a.out.Products, p)
	return nil
}

// firstMs is when plasma began; when the case began, where none was given.
func (a *adverse) firstMs() int64 {
	if len(a.c.Transfusions) > 0 {
		return a.c.Transfusions[0].FirstMs()
	}
	return a.c.OpenedMs()
}

func (a *adverse) animal() {
	c, at := a.c, a.firstMs()
	one, none := int32(1), int32(0)
	if o := c.Outcome(); o == pb.Outcome_OUTCOME_DIED || o == pb.Outcome_OUTCOME_EUTHANASED {
		none = 1
	}
	n := &pb.AdverseAnimal{
		Breed: a.told.Breed, PreviousExposure: a.told.PreviousExposure, AgeH: ageH(c, at),
		Treated: *cmp.Or(a.told.Treated, &one), Affected: *cmp.Or(a.told.Affected, &one), Dead: *cmp.Or(a.told.Dead, &none),
	}
	if c.Patient != nil {
		n.Species, n.Sex = "horse", wording.Enum(c.Patient.Sex)
		if c.Patient.Kind == pb.PatientKind_PATIENT_KIND_DONKEY {
			n.Species = "donkey"
		}
	}
	for i := range c.Weights {
		if w := &c.Weights[i]; n.WeightG == nil || w.Stamp.AtMs <= at {
			n.WeightG = &w.WeightG
		}
	}
	for i := range c.Exams {
		if e := &c.Exams[i]; e.Stamp.AtMs <= at {
			n.Health = wording.Joined(", ", append(signsRead(e.Signs), e.Text)...)
		}
	}
	line := c.Line()
	if t := line.NumberBefore(at); t != nil {
		n.IggBeforeCgPerL, n.Reason = t.IggCgPerL, "low IgG"
	}
	if t := line.NumberAfter(at); t != nil {
		n.IggAfterCgPerL = t.IggCgPerL
	}
	a.out.Animal = n
}

func (a *adverse) course() {
	c, k := a.c, &pb.AdverseCourse{}
	a.out.Course = k
	for _, e := range c.Adverse {
		k.Events = append(k.Events, wording.Joined(": ", e.Event, e.Text))
	}
	for i := range c.Reactions {
		r := &c.Reactions[i]
		for _, sign := range signsRead(r.Signs) {
			k.Signs = append(k.Signs, &pb.AdverseSign{Sign: sign, Code: a.code(sign), At: a.b.Stamp(r.Stamp.AtMs)})
		}
	}
	for i := range c.Details {
		d := &c.Details[i]
		k.OnsetMin, k.OnsetMl = d.OnsetMin, d.OnsetMl
		k.Grade, k.Reaction, k.Treatment, k.Course = wording.Enum(d.Grade), wording.Enum(d.Kind), d.Treatment, d.Course
		k.EndedAt = a.b.Stamp(d.EndedMs)
	}
	if o := c.Outcome(); o != pb.Outcome_OUTCOME_UNSPECIFIED {
		k.Outcome = wording.Enum(o)
	}
	a.afterOnset(k)
}

// code is the standard's code that somebody told for a sign.
func (a *adverse) code(sign string) string {
	for _, pair := range a.told.Codes {
		if of, code, ok := strings.Cut(pair, "="); ok && strings.EqualFold(strings.TrimSpace(of), sign) {
			return strings.TrimSpace(code)
		}
	}
	return ""
}

// afterOnset tells drugs by whether they came before or after the first sign, and what
// followed when plasma was stopped and given again.
func (a *adverse) afterOnset(k *pb.AdverseCourse) {
	c, onset := a.c, int64(0)
	if len(c.Reactions) > 0 {
		onset = c.Reactions[0].Stamp.AtMs
		k.OnsetAt = a.b.Stamp(onset)
	}
	for i := range c.Drugs {
		d := &c.Drugs[i]
		text := fmt.Sprintf("%s %s mg, %s, %s", d.Drug, milli(d.DoseUg), d.Route, a.b.Clock(d.Stamp.AtMs))
		if onset != 0 && d.Stamp.AtMs >= onset {
			k.Drugs = append(k.Drugs, text)
		} else {
			k.OtherDrugs = append(k.OtherDrugs, text)
		}
	}
	if onset == 0 {
		return
	}
	if n := len(c.Details); n > 0 && c.Details[n-1].EndedMs > onset {
		k.DurationMin = new(int32((c.Details[n-1].EndedMs - onset) / 60_000))
	}
	a.stopped(k, onset)
}

// stopped finds the first time that plasma was shut off or ended after the first sign, and
// whether it ran again.
func (a *adverse) stopped(k *pb.AdverseCourse, onset int64) {
	off, again := int64(0), int64(0)
	first := func(to *int64, ms, after int64) {
		if after != 0 && ms >= after && (*to == 0 || ms < *to) {
			*to = ms
		}
	}
	for _, f := range a.c.Flows {
		if f.Clamped {
			first(&off, f.Stamp.AtMs, onset)
		}
	}
	for i := range a.c.Transfusions {
		for _, e := range a.c.Transfusions[i].Ends {
			first(&off, e.Stamp.AtMs, onset)
		}
	}
	if off == 0 {
		return
	}
	for _, f := range a.c.Flows {
		if !f.Clamped {
			first(&again, f.Stamp.AtMs, off)
		}
	}
	for i := range a.c.Transfusions {
		for _, s := range a.c.Transfusions[i].Starts {
			first(&again, s.AtMs, off)
		}
	}
	k.Dechallenge = "plasma stopped at " + a.b.Clock(off)
	if n := len(a.c.Details); n > 0 && a.c.Details[n-1].EndedMs >= off {
		k.Dechallenge += "; signs over at " + a.b.Clock(a.c.Details[n-1].EndedMs)
	}
	if k.Rechallenge = "not given again"; again != 0 {
		k.Rechallenge = "given again at " + a.b.Clock(again) + "; no sign was noted after it"
		if slices.ContainsFunc(a.c.Reactions, func(r ledger.Reaction) bool { return r.Stamp.AtMs > again }) {
			k.Rechallenge = "given again at " + a.b.Clock(again) + "; signs were noted after it"
		}
	}
}

// milli writes thousandths as a decimal.
func milli(v int32) string {
	return strings.TrimRight(strings.TrimRight(fmt.Sprintf("%d.%03d", v/1000, v%1000), "0"), ".")
}

// missing names what a report of this kind asks for and nobody told.
func (a *adverse) missing() {
	o, n, k := a.out, a.out.Animal, a.out.Course
	animal := a.kind == pb.AdverseKind_ADVERSE_KIND_ANIMAL
	least := func(words string, there bool) {
		if !there {
			o.MissingLeast = append(o.MissingLeast, words)
		}
	}
	least("who reports", o.Reporter.Name != "")
	least("the animal", n.Species != "")
	least("the product", slices.ContainsFunc(o.Products, func(p *pb.AdverseProduct) bool { return p.Product != "" }))
	least("what happened", len(k.Events)+len(k.Signs) > 0)
	ask := func(words string, wanted, there bool) {
		if wanted && !there {
			o.Missing = append(o.Missing, words)
		}
	}
	ask("telephone of who reports", true, o.Reporter.Telephone != "")
	for _, p := range o.Products {
		for _, x := range []struct{ words, text string }{
			{"maker", p.Maker}, {"registration number", p.RegistrationNumber}, {"batch", p.Batch}, {"expiry", p.Expiry}, {"storage", p.Storage}, {"end of the bag", p.EndedAt},
		} {
			ask(x.words+" of bag "+p.Bag, true, x.text != "")
		}
		ask("rate of bag "+p.Bag, true, p.MlPerH > 0)
	}
	ask("the breed", true, n.Breed != "")
	ask("the sex", true, n.Sex != "")
	ask("the weight", true, n.WeightG != nil)
	ask("age then", true, n.AgeH != nil)
	ask("state of health before", true, n.Health != "")
	ask("reason for the treatment", true, n.Reason != "")
	ask("previous plasma, and how it went", true, n.PreviousExposure != "")
	ask("the signs", animal, len(k.Signs) > 0)
	ask("minutes from the start to the first sign", animal, k.OnsetMin != nil || k.OnsetAt != "")
	ask("when the signs were over", animal, k.EndedAt != "")
	ask("what was done", animal, k.Treatment != "" || len(k.Drugs) > 0)
	ask("what followed when plasma was stopped", animal, k.Dechallenge != "")
	ask("the outcome", true, k.Outcome != "")
	ask("IgG as a number before plasma", a.kind == pb.AdverseKind_ADVERSE_KIND_LACK_OF_EFFICACY, n.IggBeforeCgPerL != nil)
	ask("IgG as a number after plasma", a.kind == pb.AdverseKind_ADVERSE_KIND_LACK_OF_EFFICACY, n.IggAfterCgPerL != nil)
	ask("what of the use was outside the label", a.kind == pb.AdverseKind_ADVERSE_KIND_OFF_LABEL, o.OffLabel != "")
	ask("the person's exposure, and how it went", a.kind == pb.AdverseKind_ADVERSE_KIND_PERSON, o.Person != "")
	ask("the vet's own assessment", true, o.Assessment != "")
	switch {
	case len(o.MissingLeast) > 0:
		o.Text = "No valid report yet: " + strings.Join(o.MissingLeast, ", ") + " missing."
	case len(o.Missing) > 0:
		o.Text = wording.Plural(len(o.Missing), "element") + " missing. Nothing was sent: who reports sends it, and notes it with 'adverse report'."
	default:
		o.Text = "Complete. Nothing was sent: who reports sends it, and notes it with 'adverse report'."
	}
}
