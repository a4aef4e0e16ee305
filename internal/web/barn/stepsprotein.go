package barn

import (
	"math"

	"thawtrail/internal/engine"
	"thawtrail/internal/label"
	"thawtrail/internal/web/caseview"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
)

// proteinMore asks how much plasma a grown patient with low protein would need.
type proteinMore struct {
	Now, NowAt, Target, Donor string // g/L, as typed or as measured
	Missing                   bool   // a weight comes first
	Asked                     bool   // all three numbers are there
	Refusal                   string
	Volume, PerKg             string
	Need                      int // mL, the middle of the range
}

// readProtein takes the numbers of the sum from the address, and the present one
// from the last look when the address has none. Target and donor have no default.
func readProtein(req *site.Request, cv *caseview.View) *proteinMore {
	q := req.URL.Query()
	m := &proteinMore{Now: q.Get("tp"), Target: q.Get("target_tp"), Donor: q.Get("donor_tp")}
	if e := cv.C.Protein(false); e != nil && m.Now == "" {
		m.NowAt = cv.At(e.Stamp.AtMs)
		m.Now = words.Tenths(*e.ProteinDgPerL)
	}
	m.Asked = m.Now != "" && m.Target != "" && m.Donor != ""
	return m
}

// Hint says when the present number was measured.
func (m *proteinMore) Hint() string {
	if m.NowAt == "" {
		return ""
	}
	return words.Say("protein.now_hint", m.NowAt)
}

// reckon lets the engine do the sum.
func (m *proteinMore) reckon(cv *caseview.View, p *stepPage) (in engine.ProteinInput, r engine.ProteinResult, ok bool) {
	in.WeightKg = cv.Kg
	var err error
	for _, f := range []struct {
		name, text string
		to         *float64
	}{{"tp_g_per_l", m.Now, &in.TPGPerL}, {"target_tp_g_per_l", m.Target, &in.TargetTPGPerL}, {"donor_tp_g_per_l", m.Donor, &in.DonorTPGPerL}} {
		if *f.to, err = label.ParseDecimal(f.name, f.text); err != nil {
			m.Refusal = err.Error()
			return in, r, false
		}
	}
	if r, err = engine.Protein(in); err != nil {
		m.Refusal = err.Error()
		return in, r, false
	}
	p.basis(r.Basis)
	m.Volume, m.PerKg = words.Span(r.VolumeMl, words.Whole, "mL"), words.Span(r.VolumeMlPerKg, words.Tenth, "mL/kg")
	m.Need = int(math.Round(r.VolumeMl.Mid))
	return in, r, true
}

// prepareProtein serves the sum; the bags are chosen on the dose page.
func prepareProtein(req *site.Request, p *stepPage) error {
	m := readProtein(req, p.Case)
	p.More = m
	if m.Missing = p.Case.Kg == 0; m.Missing || !m.Asked {
		return nil
	}
	m.reckon(p.Case, p)
	return nil
}

// proteinRecheck sets the total protein after plasma beside the one before.
type proteinRecheck struct{ Due, Person, Before, After string }

func prepareProteinRecheck(_ *site.Request, p *stepPage) error {
	cv := p.Case
	m := &proteinRecheck{Before: caseview.ProteinText(cv.C.Protein(false)), After: caseview.ProteinText(cv.C.Protein(true))}
	p.More = m
	return recheckPlan(cv, &m.Due, &m.Person)
}
