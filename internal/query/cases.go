package query

import (
	"bytes"
	"cmp"
	"context"
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
		var err error
		out.Next, err = b.listed(req, terms, func(f store.Found) error {
			c, err := b.Case(f.Key.ID)
			if c != nil {
				out.Cases = append(out.Cases, b.caseRow(c))
			}
			return err
		})
		return err
	})
	return out, err
}

func (b *ReadView) caseRow(c *ledger.Case) *pb.CaseRow {
	row := &pb.CaseRow{Case: c.Entity.ID, Patient: "patient not entered here yet", State: "open", Outcome: wording.Enum(c.Outcome()), GivenMl: c.PlasmaMl}
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
		b.sheet(out, c)
		return nil
	})
	return out, err
}

func (b *ReadView) sheet(out *pb.GetCaseResponse, c *ledger.Case) {
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
	out.Vitals = b.vitalsRows(c.Vitals)
	out.Timeline, out.Discrepancies = b.timeline(c.Entity, c.Timeline), b.discrepancies(c)
	out.Volume_24HMl = b.VolumeOfDay(c)
	out.NextStep = b.nextStep(c)
}

func (b *ReadView) transfusionRow(c *ledger.Case, t *ledger.Transfusion) *pb.TransfusionRow {
	row := &pb.TransfusionRow{
		Bag: bagText(t.Bag), Batch: t.Batch, StartedAt: b.Stamp(t.FirstMs()), EndedAt: b.Stamp(t.LastMs()),
		GivenMl: t.CountedMl(), Running: t.Running, Clamped: t.Running && c.Clamped,
	}
	end := b.now.UnixMilli()
	if ms := t.LastMs(); ms != 0 {
		end = ms
	}
	row.ElapsedMin = int32(max(0, end-t.FirstMs()) / 60_000)
	for _, r := range c.Rates {
		if r.Bag == t.Bag || r.Bag == "" {
			row.RateMlPerH = r.MlPerH
		}
	}
	return row
}

func (b *ReadView) vitalsRows(all []ledger.Vitals) []*pb.VitalsRow {
	var out []*pb.VitalsRow
	base, limits := baseline(all), b.alarmLimits()
	for i := range all {
		v := &all[i]
		row := &pb.VitalsRow{At: b.Stamp(v.Stamp.AtMs), HeartRate: v.HeartRate, BreathingRate: v.BreathingRate, GivenMl: v.GivenMl}
		if v.TemperatureDc != nil {
			c := float64(*v.TemperatureDc) / 10
			row.TemperatureC = &c
		}
		row.Change = limits.changeFrom(base, v)
		out = append(out, row)
	}
	return out
}

// baseline is the first look marked so, else the first look of all.
func baseline(all []ledger.Vitals) *ledger.Vitals {
	for i := range all {
		if all[i].Baseline {
			return &all[i]
		}
	}
	if len(all) > 0 {
		return &all[0]
	}
	return nil
}

// alarmLimits are the rises over the patient's own baseline that raise an alarm.
// Zero: the practice set no limit.
type alarmLimits struct {
	temperatureDc, heart, breaths int32
}

// alarmLimits takes 1 C, as for febrile reactions in Rubio-Martinez & Hendrickson
// (eds), Complications in Equine Surgery, ch. 6, and the practice's own limits
// for heart and breathing rate: where protocols differ, the tightest.
func (b *ReadView) alarmLimits() alarmLimits {
	out := alarmLimits{temperatureDc: 10}
	tighten := func(limit *int32, v *int32) {
		if v != nil && (*limit == 0 || *v < *limit) {
			*limit = *v
		}
	}
	err := b.Each(event.KindProtocol, func(s ledger.State) (bool, error) {
		if p := s.(*ledger.Protocol).Current(); p != nil {
			tighten(&out.heart, p.HeartRateRise)
			tighten(&out.breaths, p.BreathingRateRise)
		}
		return true, nil
	})
	if err != nil {
		b.r.Log.Error("read the practice's protocols", "error", err)
	}
	return out
}

// changeFrom words what changed since the baseline, and what raises an alarm.
func (a alarmLimits) changeFrom(base, v *ledger.Vitals) string {
	if base == nil || base == v {
		return "baseline"
	}
	var parts, alarms []string
	compare := func(name, unit string, now, then *int32, scale float64, limit int32) {
		if now == nil || then == nil || *now == *then {
			return
		}
		parts = append(parts, fmt.Sprintf("%s %+.4g %s", name, float64(*now-*then)/scale, unit))
		if limit > 0 && *now-*then >= limit {
			alarms = append(alarms, fmt.Sprintf("%s up %.4g %s or more", name, float64(limit)/scale, unit))
		}
	}
	compare("temp", "C", v.TemperatureDc, base.TemperatureDc, 10, a.temperatureDc)
	compare("heart", "/min", v.HeartRate, base.HeartRate, 1, a.heart)
	compare("breaths", "/min", v.BreathingRate, base.BreathingRate, 1, a.breaths)
	text := strings.Join(parts, ", ")
	if len(alarms) > 0 {
		text += "  ALARM: " + strings.Join(alarms, ", ")
	}
	return text
}

// VolumeOfDay is all that this patient had by vein in 24 h: plasma and other
// fluid, of this case and of every case that is linked to it.
func (b *ReadView) VolumeOfDay(c *ledger.Case) int32 {
	since := b.now.Add(-24 * time.Hour).UnixMilli()
	total := int32(0)
	cases := []*ledger.Case{c}
	for _, l := range c.Links {
		if other, err := b.Case(l.Other); err == nil && other != nil && l.Linked {
			cases = append(cases, other)
		}
	}
	counted := map[string]bool{}
	for _, one := range cases {
		for i := range one.Transfusions {
			t := &one.Transfusions[i]
			if (t.LastMs() == 0 || t.LastMs() >= since) && !counted[t.Bag] {
				total += t.CountedMl()
				counted[t.Bag] = true
			}
		}
		if told := one.LastTold(); told != nil && told.StartedMs >= since {
			total += one.UnseenMl
		}
		for _, f := range one.Fluids {
			if f.Stamp.AtMs >= since {
				total += f.VolumeMl
			}
		}
	}
	return total
}

// nextStep is the one obvious next step of a case. It never names a bag that hangs
// elsewhere, is unfit, on hold or quarantined.
func (b *ReadView) nextStep(c *ledger.Case) string {
	switch {
	case c.Clamped:
		return "clamp is shut: after a stop, going on is the vet's decision"
	case c.Running:
		return "vitals at their times; note mL given"
	case !c.Open():
		return "closed"
	case len(c.Transfusions) > 0 && len(c.RecheckPlans) == 0:
		return "plan the recheck: who, and when"
	case len(c.Transfusions) > 0 && !c.Rechecked():
		return "recheck " + recheckOf(c) + " when it is due"
	case len(c.Transfusions) > 0:
		return "close the case with its outcome"
	}
	if next, blocked, why := b.waiting(c); next != "" {
		return bagStep(c, next) + ": " + b.BagWords(next)
	} else if blocked != "" {
		return "choose another bag; of " + b.BagWords(blocked) + " the books say: " + why.Words()
	}
	return firstSteps(c)
}

// bagStep is what is done next with a bag that was not started.
func bagStep(c *ledger.Case, bag string) string {
	switch {
	case slices.ContainsFunc(c.HangChecks, func(k ledger.HangCheck) bool { return k.Bag == bag }):
		return "start slowly"
	case slices.ContainsFunc(c.Thaws, func(k ledger.CaseBag) bool { return k.Bag == bag }):
		return "check before the set goes in"
	}
	return "check before the bath, then thaw"
}

// firstSteps are those before a bag is chosen. The examination comes first: 'nothing
// by mouth' must be known before any colostrum.
func firstSteps(c *ledger.Case) string {
	switch {
	case len(c.Exams) == 0 && c.Foal():
		return "examine, before any colostrum"
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
	if c.Grown() {
		return "total protein"
	}
	return "IgG"
}

// GetNow tells what runs and what is due.
func (s Reader) GetNow(ctx context.Context, _ *pb.GetNowRequest) (*pb.GetNowResponse, error) {
	out := &pb.GetNowResponse{}
	err := s.View(ctx, func(b *ReadView) error {
		out.Now, out.Freshness = b.At(b.now), b.freshness()
		out.NotYetSent = int32(b.r.Unsent())
		if err := b.running(out); err != nil {
			return err
		}
		if err := b.clocks(out); err != nil {
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

// vitalsEvery is the longest time between two looks while plasma runs: every 5
// minutes for 15, then every 15 (Five-Minute Veterinary Consult: Equine, 3rd ed,
// transfusion reactions).
func vitalsEvery(sinceStart time.Duration) time.Duration {
	if sinceStart < 15*time.Minute {
		return 5 * time.Minute
	}
	return 15 * time.Minute
}

func (b *ReadView) running(out *pb.GetNowResponse) error {
	keys, err := b.Find(ledger.TermRunning)
	for _, k := range keys {
		c, err := b.Case(k.ID)
		if err != nil {
			return err
		}
		if c != nil {
			out.Running = append(out.Running, b.caseRow(c))
			b.vitalsDue(out, c)
		}
	}
	return err
}

func (b *ReadView) vitalsDue(out *pb.GetNowResponse, c *ledger.Case) {
	if !b.elsewhere(c) {
		out.Due = append(out.Due, b.due(NextVitals(c), "vitals: "+patientOrCase(c), c.Entity.ID, ""))
	}
}

// NextVitals is when the next look at a running case is due: after the last one,
// or as a code told while no look is here.
func NextVitals(c *ledger.Case) (ms int64) {
	started := int64(0)
	for i := range c.Transfusions {
		if t := &c.Transfusions[i]; t.Running {
			started = t.FirstMs()
		}
	}
	last := started
	for i := range c.Vitals {
		last = max(last, c.Vitals[i].Stamp.AtMs)
	}
	if told := c.LastTold(); told != nil && last == started && told.NextVitalsMs > started {
		return told.NextVitalsMs
	}
	return last + vitalsEvery(time.Duration(last-started)*time.Millisecond).Milliseconds()
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
		shelf, err := b.ShelfAt(bag, b.now)
		if err != nil {
			return false, err
		}
		if !shelf.UseBy.IsZero() {
			out.Due = append(out.Due, b.due(shelf.UseBy.UnixMilli(), "use by: thawed bag", "", bagText(bag.ID)))
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
