package query

import (
	"cmp"
	"slices"

	"thawtrail/internal/engine"
	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store"
	pb "thawtrail/proto/thawtrail/v1"
)

const (
	// pastDays is how far back use is counted: a year has every season once.
	pastDays = 52 * 7
	// leastPastDays keeps a first busy week from being taken for a year (ours).
	leastPastDays = 28
	// maxPastCases bounds the cases that are read, the newest first.
	maxPastCases = 3000
	// newbornH is until when a foal is one whose need is reckoned from its dam's date.
	newbornH = 7 * 24
	// provisionalH is until when an IgG is provisional (facts of the engine's classes).
	provisionalH = 12
	// printedFoals is how many foals of one's own weigh as much as common practice: that
	// one bag is as likely as two (ours; most complete failures need more than 2 L).
	printedFoals = 4
	mostBags     = 6
)

const srcBagsPerFoal = "bags for a foal: one as likely as two (common practice), with the weight of 4 foals, beside the practice's own"

// past is what the practice's own cases of the last year say.
type past struct {
	cut     int // g/L
	tested  int // newborn foals with an IgG that says on which side of the cut it lay
	under   []string
	days    int // that were looked back over
	foals   [mostBags + 1]int
	newborn others // newborn foals that had plasma
	other   others // all other patients that had
	places  map[string]int
	dams    map[string][]foalSeen // foals of the last year, by each mark of the dam
}

// others are patients that had plasma, and their bags.
type others struct {
	bags  int
	cases []string
}

// foalSeen is a case of a foal.
type foalSeen struct {
	id, client string
	bornMs     int64
}

// readPast goes through the cases of the last year, the newest first.
func (l *levels) readPast() error {
	words, _, err := l.b.SettingInForce(SettingPlasmaUnder)
	if err != nil {
		return err
	}
	l.past = past{cut: int(engine.FailureUnder4), days: leastPastDays, places: map[string]int{}, dams: map[string][]foalSeen{}}
	if words == "8" {
		l.past.cut = int(engine.FailureUnder8)
	}
	since, seen := l.today.AddDate(0, 0, -pastDays).UnixMilli(), map[string]bool{}
	for _, term := range []string{ledger.TermOpenCase, ledger.TermClosedCase} {
		n := 0
		err := l.b.Snapshot.Newest(term, "", func(f store.Found) (bool, error) {
			n++
			c := &ledger.CaseLine{} // some of its texts are kept
			if err := c.Read(f.Line); err != nil || c.OpenedMs < since {
				return false, err
			}
			l.past.days = max(l.past.days, min(pastDays, int((l.today.UnixMilli()-c.OpenedMs)/(24*3_600_000))))
			if !seen[c.Canonical] { // one patient whose case was opened twice
				seen[c.Canonical] = true
				l.addCase(c)
			}
			return n < maxPastCases, nil
		})
		if err != nil {
			return err
		}
	}
	return nil
}

func (l *levels) addCase(c *ledger.CaseLine) {
	newborn := l.addTest(c)
	l.past.addDam(c)
	bags := l.bagsOf(c)
	if len(bags) == 0 {
		return
	}
	l.past.places[bags[0].Place]++
	to := &l.past.other
	if newborn {
		to = &l.past.newborn
		l.past.foals[min(len(bags), mostBags)]++
	}
	to.bags, to.cases = to.bags+len(bags), append(to.cases, c.ID)
}

// addDam keeps a foal under each mark of its dam: a list may know the mare by another one.
func (p *past) addDam(c *ledger.CaseLine) {
	if !c.Foal() {
		return
	}
	foal := foalSeen{id: c.ID, client: c.Client, bornMs: cmp.Or(c.BornMs, c.OpenedMs)}
	for _, key := range marksOf(c.DamChip, c.DamUeln, c.DamName) {
		p.dams[key] = append(p.dams[key], foal)
	}
}

// marksOf are the keys under which a mare may be known, each by itself.
func marksOf(chip, ueln, name string) (keys []string) {
	for _, key := range []string{event.DamKey(chip, "", ""), event.DamKey("", ueln, ""), event.DamKey("", "", name)} {
		if key != "" {
			keys = append(keys, key)
		}
	}
	return keys
}

// addTest counts a newborn foal's first test that is not provisional. It says whether the
// patient is a newborn foal, by the age at its first bag or test.
func (l *levels) addTest(c *ledger.CaseLine) (newborn bool) {
	if !c.Foal() {
		return false
	}
	at := c.OpenedMs
	if len(c.Ran) > 0 {
		at = c.Ran[0].FirstMs
	}
	if age := hoursSince(c.BornMs, at); age != nil && *age >= newbornH {
		return false
	}
	for i := range c.Tests {
		t := &c.Tests[i]
		if age := hoursSince(c.BornMs, t.AtMs); t.Recheck || age == nil || *age < provisionalH || *age >= newbornH {
			continue
		}
		under, known := underCut(t, int32(100*l.past.cut))
		if !known {
			continue
		}
		l.past.tested++
		if under {
			l.past.under = append(l.past.under, c.ID)
		}
		break
	}
	return true
}

// underCut says on which side of a cut a test lies; not known where its band spans the cut.
func underCut(t *ledger.LineTest, cut int32) (under, known bool) {
	switch {
	case t.IggCgPerL != nil:
		return *t.IggCgPerL < cut, true
	case t.BandLowCgPerL != nil && t.BandHighCgPerL != nil:
		return *t.BandHighCgPerL <= cut, *t.BandHighCgPerL <= cut || *t.BandLowCgPerL >= cut
	case t.CutCgPerL != nil && t.Side == pb.CutSide_CUT_SIDE_BELOW:
		return true, *t.CutCgPerL <= cut
	case t.CutCgPerL != nil && t.Side == pb.CutSide_CUT_SIDE_ABOVE:
		return false, *t.CutCgPerL >= cut
	}
	return false, false
}

// bagsOf are the transfusions of a case that count: of the product that was asked for.
func (l *levels) bagsOf(c *ledger.CaseLine) (out []*ledger.LineRun) {
	for i := range c.Ran {
		if t := &c.Ran[i]; l.product == "" || t.Product == l.product {
			out = append(out, t)
		}
	}
	return out
}

// bagsPerFoal is the chance that a treated foal takes 0, 1, 2 … bags.
func (p *past) bagsPerFoal() []float64 {
	out := make([]float64, mostBags+1)
	n := float64(printedFoals + p.treated())
	for k := range out {
		out[k] = float64(p.foals[k]) / n
		if k == 1 || k == 2 {
			out[k] += printedFoals / 2 / n
		}
	}
	last := mostBags
	for out[last] == 0 {
		last--
	}
	return out[:last+1]
}

func (p *past) treated() (n int) {
	for _, f := range p.foals {
		n += f
	}
	return n
}

func (p *past) weeks() float64 { return float64(p.days) / 7 }

// readUse says what counts as steady use. Where no mare is awaited newborn foals are
// among it: nothing else tells of them.
func (l *levels) readUse() error {
	p := &l.past
	all := !slices.ContainsFunc(l.mares, func(m awaited) bool { return m.row.State == mareAwaited })
	if all {
		p.other.bags, p.other.cases = p.other.bags+p.newborn.bags, append(p.other.cases, p.newborn.cases...)
	}
	slices.Sort(p.under)
	slices.Sort(p.other.cases)
	u := &pb.UseBasis{
		Weeks: int32(p.weeks() + 0.5), Foals: int32(p.treated()), BagsPerFoal: p.bagsPerFoal(), OtherBags: int32(p.other.bags),
		OtherPatients: int32(len(p.other.cases)), OtherBagsAWeek: float64(p.other.bags) / p.weeks(), OtherCases: p.other.cases, AllPatients: all,
	}
	for _, n := range p.foals[:len(u.BagsPerFoal)] {
		u.FoalsByBags = append(u.FoalsByBags, int32(n))
	}
	l.out.Use = u
	l.because = append(l.because, srcBagsPerFoal)
	return nil
}
