package query

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/refusal"
	"thawtrail/internal/store"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// ListCases lists cases, the open ones first, the newest first within them.
func (s Reader) ListCases(ctx context.Context, req *pb.ListCasesRequest) (*pb.ListCasesResponse, error) {
	out := &pb.ListCasesResponse{}
	err := s.View(ctx, func(b *ReadView) error {
		if err := event.Typed(req); err != nil {
			return err
		}
		terms := []string{ledger.TermOpenCase, ledger.TermClosedCase}
		if req.Open {
			terms = terms[:1]
		}
		asked, err := b.askedOf(req)
		if err != nil {
			return err
		}
		out.Next, err = b.listed(req, terms, func(f store.Found) error {
			c, err := b.Case(f.Key.ID)
			if err != nil || c == nil {
				return err
			}
			if !asked.hasCase(c, req.Yard) {
				return errNotAsked
			}
			linked, err := b.linkedCases(c)
			if err != nil || stoodFor(c, linked) {
				return err
			}
			row := b.caseRow(c)
			row.GivenMl = plasmaOf(append(linked, c))
			out.Cases = append(out.Cases, row)
			return nil
		})
		return err
	})
	return out, err
}

// hasCase says that a case was opened in the span, in a yard whose name holds a text,
// and that the person wrote something in it.
func (a asked) hasCase(c *ledger.Case, yard string) bool {
	if !a.span.has(c.OpenedMs()) {
		return false
	}
	if yard != "" && (c.Patient == nil || !strings.Contains(strings.ToLower(c.Patient.Yard), strings.ToLower(yard))) {
		return false
	}
	return a.person == "" || slices.ContainsFunc(c.Timeline, func(e ledger.Entry) bool { return e.Author == a.person && e.Stands() })
}

// linkedCases are the other cases that were said to be one with this.
func (b *ReadView) linkedCases(c *ledger.Case) (out []*ledger.Case, err error) {
	for _, l := range c.Links {
		if !l.Linked {
			continue
		}
		other, err := b.Case(l.Other)
		if err != nil {
			return nil, err
		}
		if other != nil {
			out = append(out, other)
		}
	}
	return out, nil
}

// stoodFor says that a list shows another one of the cases that are one: an open one
// before a closed one, else the one with the smallest id.
func stoodFor(c *ledger.Case, linked []*ledger.Case) bool {
	return slices.ContainsFunc(linked, func(o *ledger.Case) bool {
		if o.Open() != c.Open() {
			return o.Open()
		}
		return o.Entity.ID < c.Entity.ID
	})
}

// plasmaOf is what cases that are one had of plasma, each bag counted once.
func plasmaOf(cases []*ledger.Case) (ml int32) {
	byBag := map[string]int32{}
	for _, c := range cases {
		for i := range c.Transfusions {
			t := &c.Transfusions[i]
			if more := t.CountedMl() - byBag[t.Bag]; more > 0 {
				byBag[t.Bag] += more
				ml += more
			}
		}
		ml += c.UnseenMl
	}
	return ml
}

func (b *ReadView) caseRow(c *ledger.Case) *pb.CaseRow {
	row := &pb.CaseRow{Case: c.Entity.ID, Patient: "patient not entered here yet", State: "open", Outcome: wording.Code(c.Outcome()), GivenMl: c.PlasmaMl}
	if p := c.Patient; p != nil {
		row.Patient, row.Yard, row.OpenedAt = wording.Patient(p), p.Yard, b.Stamp(p.Stamp.AtMs)
	}
	switch {
	case c.Clamped:
		row.State = "clamp shut"
	case c.Running:
		row.State = "running"
	case !c.Open():
		row.State = "closed"
	case len(c.Transfusions) > 0:
		row.State = "plasma given"
	}
	row.Reaction = ReactionWords(c)
	if due, ok := recheckDue(c); ok {
		row.RecheckDue = b.Stamp(due)
	}
	if n := len(c.Adoptions); n > 0 {
		row.HeldBy, row.HeldSince, row.Elsewhere = b.laptop(c.Holder()), b.Stamp(c.Adoptions[n-1].Stamp.AtMs), b.elsewhere(c)
	}
	return row
}

// elsewhere says that another laptop took the case over: this one watches it no
// more. The clinic's server watches all.
func (b *ReadView) elsewhere(c *ledger.Case) bool {
	return !b.r.Hub && len(c.Holder()) > 0 && !bytes.Equal(c.Holder(), b.r.Store.Device())
}

// recheckDue is when the patient is to be tested again; ok is false when it was, or
// nobody planned it.
func recheckDue(c *ledger.Case) (ms int64, ok bool) {
	if slices.ContainsFunc(c.Followed, func(f ledger.Following) bool { return f.What == pb.FollowUp_FOLLOW_UP_RECHECK && f.Reason != "" }) {
		return 0, false
	}
	if n := len(c.RecheckPlans); n > 0 && !c.Rechecked() {
		return c.RecheckPlans[n-1].DueMs, true
	}
	return 0, false
}

// GetCase is the case sheet.
func (s Reader) GetCase(ctx context.Context, req *pb.GetCaseRequest) (*pb.GetCaseResponse, error) {
	out := &pb.GetCaseResponse{}
	err := s.View(ctx, func(b *ReadView) error {
		id, err := b.Resolve("case", event.KindCase, req.Case)
		if err != nil {
			return err
		}
		c, err := b.Case(id)
		if err != nil {
			return err
		}
		if c == nil {
			return refusal.Conflict("case", id, "a case that is known here")
		}
		return b.sheet(out, c)
	})
	return out, err
}

func (b *ReadView) sheet(out *pb.GetCaseResponse, c *ledger.Case) (err error) {
	out.Case, out.Freshness = b.caseRow(c), b.freshness()
	if p := c.Patient; p != nil {
		out.Dam, out.Marks = cmp.Or(p.DamName, p.DamKey), wording.PatientMarks(p)
	}
	if n := len(c.Weights); n > 0 {
		kg := float64(c.Weights[n-1].WeightG) / 1000
		out.WeightKg = &kg
	}
	for i := range c.IggTests {
		t := &c.IggTests[i]
		if t.Recheck {
			out.IggRecheck = b.IggTest(t)
		} else {
			out.Igg = b.IggTest(t)
		}
	}
	for i := range c.Transfusions {
		out.Transfusions = append(out.Transfusions, b.transfusionRow(c, &c.Transfusions[i]))
	}
	if out.Vitals, err = b.vitalsRows(c); err != nil {
		return err
	}
	out.Timeline, out.Discrepancies = b.timeline(c.Entity, c.Timeline), b.discrepancies(c)
	out.Volume_24HMl = b.VolumeOfDay(c)
	if out.Facts, err = b.Facts(c); err != nil {
		return err
	}
	out.NextStep, err = b.nextStep(c)
	return err
}

func (b *ReadView) transfusionRow(c *ledger.Case, t *ledger.Transfusion) *pb.TransfusionRow {
	_, batch, err := b.batchNow(t.Bag, t.Product, t.Batch)
	if err != nil {
		batch = t.Batch // told as it was filled in when the start was entered
	}
	row := &pb.TransfusionRow{
		Bag: bagText(t.Bag), Batch: batch, StartedAt: b.Stamp(t.FirstMs()), EndedAt: b.Stamp(t.LastMs()),
		GivenMl: t.CountedMl(), Running: t.Running, Clamped: t.Running && c.Clamped, EndedByCode: t.ToldEndMs != 0,
	}
	end := b.now.UnixMilli()
	if ms := t.LastMs(); ms != 0 {
		end = ms
	}
	row.ElapsedMin = int32(max(0, end-t.FirstMs()) / 60_000)
	for _, r := range c.Rates {
		if (r.Bag == t.Bag || r.Bag == "") && !row.Clamped { // nothing runs through a shut clamp
			row.RateMlPerH = r.MlPerH
		}
	}
	return row
}

// VolumeOfDay is all that this patient had by vein in 24 h: plasma and other fluid.
func (b *ReadView) VolumeOfDay(c *ledger.Case) int32 {
	plasma, other := b.VolumesOfDay(c)
	return plasma + other
}

// VolumesOfDay are plasma and other fluids by vein in 24 h, of this case and of every
// case that is linked to it: the ceiling is about plasma, overload is about both.
func (b *ReadView) VolumesOfDay(c *ledger.Case) (plasma, other int32) {
	since := b.now.Add(-24 * time.Hour).UnixMilli()
	linked, err := b.linkedCases(c)
	if err != nil {
		b.r.Log.Error("read the cases that are one with a case", "case", c.Entity.ID, "error", err)
	}
	cases := append(linked, c)
	counted := map[string]bool{}
	for _, one := range cases {
		for i := range one.Transfusions {
			t := &one.Transfusions[i]
			if (t.LastMs() == 0 || t.LastMs() >= since) && !counted[t.Bag] {
				plasma += t.CountedMl()
				counted[t.Bag] = true
			}
		}
		if told := one.LastTold(); told != nil && told.StartedMs >= since {
			plasma += one.UnseenMl
		}
		for _, f := range one.Fluids {
			if f.Stamp.AtMs >= since {
				other += f.VolumeMl
			}
		}
	}
	return plasma, other
}

// nextStep is the one obvious next step of a case. It never names a bag that hangs
// elsewhere, is unfit, on hold or quarantined.
func (b *ReadView) nextStep(c *ledger.Case) (string, error) {
	now, err := b.dueNow(c)
	switch {
	case err != nil:
		return "", err
	case c.Clamped:
		return "clamp is shut: after a stop, going on is the vet's decision", nil
	case c.Running:
		return b.runningStep(c)
	case !c.Open():
		return "closed", nil
	case now != "":
		return now, nil
	case len(c.Transfusions) > 0 && len(c.RecheckPlans) == 0:
		return "plan the recheck: who, and when", nil
	case len(c.Transfusions) > 0 && !c.Rechecked():
		return "recheck " + recheckOf(c) + " when it is due", nil
	case len(c.Transfusions) > 0:
		return "close the case with its outcome", nil
	}
	next, blocked, why, err := b.waiting(c)
	switch {
	case err != nil:
		return "", err
	case next != "":
		return bagStep(c, next) + ": " + b.BagWords(next), nil
	case blocked != "":
		return "choose another bag; of " + b.BagWords(blocked) + " the books say: " + why.Words(), nil
	}
	return firstSteps(c), nil
}

// runningStep is what is done while plasma runs: an alarm that stands comes first.
func (b *ReadView) runningStep(c *ledger.Case) (string, error) {
	watch, err := b.Watch(c)
	if len(watch.Standing) > 0 {
		return "alarm stands: " + Alarms(watch.Standing) + "; slower, clamp, or stop and treat; measure again", err
	}
	stop, stopErr := b.StopAt(c)
	if stop > 0 {
		return fmt.Sprintf("vitals at their times; note mL given; stop at %d mL", stop), errors.Join(err, stopErr)
	}
	return "vitals at their times; note mL given", errors.Join(err, stopErr)
}

// bagStep is what is done next with a bag that was not started.
func bagStep(c *ledger.Case, bag string) string {
	switch {
	case slices.ContainsFunc(c.HangChecks, func(k ledger.HangCheck) bool { return k.Bag == bag }):
		return "start slowly"
	case slices.ContainsFunc(c.Thaws, func(k ledger.CaseBag) bool { return k.Bag == bag }):
		return "check before the set goes in"
	}
	return "check before the water bath, then thaw"
}

// firstSteps are those before a bag is chosen. The examination comes first: 'nothing
// by mouth' must be known before any colostrum.
func firstSteps(c *ledger.Case) string {
	switch {
	case len(c.Exams) == 0 && c.Foal():
		return "examination, before any colostrum"
	case len(c.Risk) == 0 && c.Foal():
		return "isoerythrolysis questions, before any colostrum"
	case len(c.Weights) == 0:
		return "weigh"
	case len(c.IggTests) == 0 && c.Foal():
		return "test IgG"
	}
	return "plan the dose and accept it"
}

// recheckOf is what is tested after plasma.
func recheckOf(c *ledger.Case) string {
	if c.Adult() {
		return "total protein"
	}
	return "IgG"
}

// GetNow tells what runs and what is due.
func (s Reader) GetNow(ctx context.Context, _ *pb.GetNowRequest) (*pb.GetNowResponse, error) {
	out := &pb.GetNowResponse{}
	err := s.View(ctx, func(b *ReadView) error {
		out.Now, out.Freshness = b.At(b.now), b.freshness()
		out.Cautions = wording.Cautions(b.ClockCautions())
		out.NotYetSent = int32(b.r.Unsent())
		if err := b.running(out); err != nil {
			return err
		}
		if err := b.clocks(out); err != nil {
			return err
		}
		if err := b.after(out); err != nil {
			return err
		}
		if err := b.rechecks(out); err != nil {
			return err
		}
		slices.SortStableFunc(out.Due, func(x, y *pb.DueRow) int { return cmp.Compare(x.At, y.At) })
		return nil
	})
	return out, err
}

func (b *ReadView) running(out *pb.GetNowResponse) error {
	keys, err := b.Find(ledger.TermRunning)
	for _, k := range keys {
		c, err := b.Case(k.ID)
		if err != nil {
			return err
		}
		if c == nil {
			continue
		}
		watch, err := b.Watch(c)
		if err != nil {
			return err
		}
		row := b.caseRow(c)
		row.Alarm = Alarms(watch.Standing)
		out.Running = append(out.Running, row)
		b.vitalsDue(out, c)
	}
	return err
}

func (b *ReadView) vitalsDue(out *pb.GetNowResponse, c *ledger.Case) {
	if !b.elsewhere(c) {
		out.Due = append(out.Due, b.due(NextVitals(c), "vitals: "+patientOrCase(c), c.Entity.ID, ""))
	}
}

func patientOrCase(c *ledger.Case) string {
	if c.Patient == nil {
		return "case " + c.Entity.ID
	}
	return wording.Patient(c.Patient)
}

func (b *ReadView) due(ms int64, what, id, bag string) *pb.DueRow {
	return &pb.DueRow{At: b.Stamp(ms), What: what, Case: id, Bag: bag, Overdue: ms < b.now.UnixMilli()}
}

// clocks lists the use-by of every bag that is thawed, and holds on bags in use.
func (b *ReadView) clocks(out *pb.GetNowResponse) error {
	return b.eachFound(ledger.TermInUse, func(bag *ledger.BagLine) (bool, error) {
		shelf, err := b.ShelfAt(bag, b.ClinicNow())
		if err != nil {
			return false, err
		}
		if !shelf.UseBy.IsZero() {
			// Counted down on this machine's clock, as all of the list.
			left := shelf.UseBy.Sub(b.ClinicNow())
			out.Due = append(out.Due, b.due(b.now.Add(left).UnixMilli(), "use by: thawed bag", "", bagText(bag.ID)))
		}
		return len(out.Due) < MaxRows, b.holdsInUse(out, bag)
	})
}

func (b *ReadView) holdsInUse(out *pb.GetNowResponse, bag *ledger.BagLine) error {
	if bag.Label == nil {
		return nil
	}
	if holds, err := b.standingHolds(bag.Label.Product, bag.Label.Batch); err != nil || len(holds) == 0 {
		return err
	}
	batch, err := b.Batch(bag.Label.Product, bag.Label.Batch)
	if err != nil || batch == nil {
		return err
	}
	for _, h := range batch.Standing() {
		out.HoldsInUse = append(out.HoldsInUse, b.holdRow(h, batch.Heard))
	}
	return nil
}

func (b *ReadView) rechecks(out *pb.GetNowResponse) error {
	keys, err := b.Find(ledger.TermRecheckDue)
	for _, k := range keys {
		c, err := b.Case(k.ID)
		if err != nil {
			return err
		}
		if c == nil {
			continue
		}
		if ms, due := recheckDue(c); due {
			who := b.Person(c.RecheckPlans[len(c.RecheckPlans)-1].Person)
			out.Due = append(out.Due, b.due(ms, recheckOf(c)+" recheck by "+who+": "+patientOrCase(c), k.ID, ""))
		}
	}
	return err
}
