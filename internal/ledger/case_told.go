package ledger

import (
	"cmp"
	"slices"

	"thawtrail/internal/event"
	pb "thawtrail/proto/thawtrail/v1"
)

// MomentMs is the newest moment that the code speaks of: when it was made, where it says
// that.
func (t *CodeSheet) MomentMs() int64 { return max(t.MadeMs, t.StartedMs, t.ReadMs, t.VitalsMs) }

// LastTold is what the newest code told; nil when there was none. An older code may be
// typed after a newer one.
func (c *Case) LastTold() (newest *CodeSheet) {
	for i := range c.Adoptions {
		if told := c.Adoptions[i].Told; told != nil && (newest == nil || told.MomentMs() >= newest.MomentMs()) {
			newest = told
		}
	}
	return newest
}

// adopt notes that a laptop took the case over and lets what its code told stand
// in for the records that are not here. An older code tells of its bag's start alone.
func (c *Case) adopt(s *set, f *fact, p *pb.CaseAdopted) {
	a := adoptionOf(f, p)
	c.Adoptions = append(c.Adoptions, a)
	if a.Told == nil {
		return
	}
	w := witness{s, f.rec.Log, a.Told.MomentMs()}
	c.toldStart(w, &a)
	c.toldReading(a.Told)
	if c.LastTold() == a.Told {
		c.toldFlow(w, &a)
		c.toldWeight(w, &a)
		c.toldLooks(w, &a)
	}
	c.toldEnds()
}

// witness asks what is on record here of the laptop that a code was made on.
type witness struct {
	set      *set
	own      event.LogID // the log of the laptop that typed the code
	momentMs int64       // of the code
}

// has says that the record which a part of the code was made from is here: the last one
// of its kind from before the code says the same. One from after the code is newer.
func (w witness) has(is func(*fact) (kind, same bool)) (here bool) {
	for _, f := range w.set.story {
		if f.rec.Log == w.own {
			continue
		}
		switch kind, same := is(f); {
		case !kind:
		case f.atMs > w.momentMs:
			return true
		default:
			here = same
		}
	}
	return here
}

// toldStart lets the code stand in for the start of its bag and for its set.
func (c *Case) toldStart(w witness, a *Adoption) {
	told, at := a.Told, a.Stamp
	at.AtMs = told.StartedMs
	t := c.Transfused(told.Bag)
	switch {
	case t == nil && !startedIn(w.set.story, told.Bag):
		clamped := c.Clamped
		c.start(at, &pb.TransfusionStarted{Bag: told.Bag, Product: told.Product, Batch: told.Batch, Patient: told.patient()})
		c.Clamped = clamped
	case t != nil && !t.Running && t.LastMs() < w.momentMs && c.LastTold() == told: // hung again out of reach
		at.AtMs = w.momentMs
		t.Starts, t.Running, t.ToldEndMs = append(t.Starts, at), true, 0
	}
	if told.SetMs == 0 || slices.ContainsFunc(c.Sets, func(k CaseBag) bool {
		return k.Bag == told.Bag && minute(k.Stamp.AtMs) >= minute(told.SetMs)
	}) || w.has(func(f *fact) (bool, bool) { p, ok := f.body.(*pb.SetAttached); return ok && p.Bag == told.Bag, true }) {
		return
	}
	at.AtMs = told.SetMs
	c.Sets = append(c.Sets, CaseBag{Stamp: at, Bag: told.Bag})
}

// startedIn says that somebody entered a start of a bag.
func startedIn(story []*fact, bag string) bool {
	return slices.ContainsFunc(story, func(f *fact) bool { p, ok := f.body.(*pb.TransfusionStarted); return ok && p.Bag == bag })
}

// minute is how well a code tells a time.
func minute(ms int64) int64 { return ms / 60_000 }

// toldReading takes what was read off the bag, where nothing newer is here.
func (c *Case) toldReading(told *CodeSheet) {
	if t := c.Transfused(told.Bag); t != nil && told.GivenMl != nil && minute(told.ReadMs) >= minute(c.readHereMs(t)) {
		t.ReadMl = *told.GivenMl
	}
}

// toldFlow takes the rate and the clamp.
func (c *Case) toldFlow(w witness, a *Adoption) {
	told := a.Told
	if told.MlPerH != nil {
		rate := Rate{Stamp: a.Stamp, MlPerH: *told.MlPerH, SlowStage: told.SlowStage, Bag: told.Bag}
		same := func(bag string, mlPerH int32, slow bool) bool {
			return (bag == "" || bag == told.Bag) && mlPerH == rate.MlPerH && slow == rate.SlowStage
		}
		n := len(c.Rates)
		if (n == 0 || !same(c.Rates[n-1].Bag, c.Rates[n-1].MlPerH, c.Rates[n-1].SlowStage)) && !w.has(func(f *fact) (bool, bool) {
			p, ok := f.body.(*pb.RateSet)
			return ok, ok && same(p.Bag, p.MlPerH, p.SlowStage)
		}) {
			c.Rates = append(c.Rates, rate)
		}
	}
	if !w.has(func(f *fact) (bool, bool) {
		_, ok := f.body.(*pb.FlowChanged)
		return ok, ok && (f.typ == typeClamped) == told.Clamped
	}) {
		c.Clamped = told.Clamped
	}
}

// toldWeight takes the weight, which a code rounds to 100 g.
func (c *Case) toldWeight(w witness, a *Adoption) {
	if a.Told.WeightG == nil {
		return
	}
	same := func(g int32) bool { return (g+50)/100 == (*a.Told.WeightG+50)/100 }
	n := len(c.Weights)
	if n > 0 && same(c.Weights[n-1].WeightG) || w.has(func(f *fact) (bool, bool) {
		p, ok := f.body.(*pb.PatientWeighed)
		return ok, ok && same(p.WeightG)
	}) {
		return
	}
	c.Weights = append(c.Weights, Weight{Stamp: a.Stamp, WeightG: *a.Told.WeightG})
}

// toldLooks lets the code stand in for the last look and for the baseline. A last look
// from before the start is the baseline.
func (c *Case) toldLooks(w witness, a *Adoption) {
	told := a.Told
	lookHere, anyHere := false, false
	for _, f := range w.set.story {
		p, ok := f.body.(*pb.VitalsNoted)
		if !ok || p.TemperatureDc == nil && p.HeartRate == nil && p.BreathingRate == nil {
			continue
		}
		lookHere = lookHere || minute(f.atMs) == minute(told.VitalsMs) && told.Look.same(p)
		anyHere = anyHere || f.atMs <= w.momentMs
	}
	before := told.VitalsMs != 0 && told.VitalsMs <= told.StartedMs
	if !anyHere && !before {
		c.toldLook(a, told.StartedMs, told.Baseline, true)
	}
	if !lookHere && told.VitalsMs != 0 {
		c.toldLook(a, told.VitalsMs, told.Look, before)
	}
	slices.SortStableFunc(c.Vitals, func(x, y Vitals) int { return cmp.Compare(x.Stamp.AtMs, y.Stamp.AtMs) })
}

// same says that a look on record is the one that a code told.
func (l *ToldLook) same(p *pb.VitalsNoted) bool {
	equal := func(a, b *int32) bool { return a == nil && b == nil || a != nil && b != nil && *a == *b }
	return equal(l.TemperatureDc, p.TemperatureDc) && equal(l.HeartRate, p.HeartRate) && equal(l.BreathingRate, p.BreathingRate)
}

// toldLook adds a look unless an earlier code told the same one.
func (c *Case) toldLook(a *Adoption, atMs int64, look ToldLook, baseline bool) {
	if look.TemperatureDc == nil && look.HeartRate == nil && look.BreathingRate == nil {
		return
	}
	if slices.ContainsFunc(c.Vitals, func(v Vitals) bool {
		return minute(v.Stamp.AtMs) == minute(atMs) && v.Baseline == baseline && v.GivenMl == nil
	}) {
		return
	}
	at := a.Stamp
	at.AtMs = atMs
	c.Vitals = append(c.Vitals, Vitals{
		Stamp: at, TemperatureDc: look.TemperatureDc, HeartRate: look.HeartRate, BreathingRate: look.BreathingRate, Baseline: baseline,
	})
}

// toldEnds ends the bags that ran before the one of the newest code: it says which bag
// runs now. Their mL are what was read here; what the code told beyond that is UnseenMl.
func (c *Case) toldEnds() {
	told := c.LastTold()
	for i := range c.Transfusions {
		t := &c.Transfusions[i]
		if !t.Running || t.Bag == told.Bag {
			continue
		}
		if began := t.Starts[len(t.Starts)-1].AtMs; minute(began) <= minute(told.MomentMs()) {
			t.Running, t.ToldEndMs = false, max(began, told.MomentMs())
			if told.StartedMs > began {
				t.ToldEndMs = told.StartedMs
			}
		}
	}
}

// ranOn takes back an end that only a code told: a record from after it says that the bag
// still hangs.
func (c *Case) ranOn(bag string, atMs int64) {
	told := c.LastTold()
	if t := c.Transfused(bag); t != nil && t.ToldEndMs != 0 && told != nil && atMs > told.MomentMs() {
		t.Running, t.ToldEndMs = true, 0
	}
}
