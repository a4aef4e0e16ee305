package engine

import (
	"thawtrail/internal/caution"
	"thawtrail/internal/refusal"
)

// Band is a test result that names two ends and nothing between.
type Band struct{ Low, High float64 }

// IgGReading is a foal's serum IgG in the one form in which it was learned.
// Exactly one of the four is given. 1 g/L is 100 mg/dL.
//
// A barn test's band is the value: both ends are carried through, and the middle
// of the band is only there to have a central number. IgGUnknown is for a foal
// that never sucked and was not tested: it is taken as 0 g/L exactly, as a group
// in Bologna did for foals not yet sucked (University of Bologna, conference
// abstract, handle 11585/528508). That gives the largest dose, and a caution
// says so; a foal that may have sucked has to be tested instead.
type IgGReading struct {
	IgGGPerL   *float64
	IgGMgPerDL *float64
	IgGBand    *Band // g/L
	IgGUnknown bool
}

var iggUnknown = caution.Define("igg_unknown_taken_as_zero", caution.Caution,
	"No IgG was measured: taken as 0 g/L, as for a foal that never sucked. If it may have sucked, test first: this is the largest dose.")

var boundsIgG = bounds{field: "igg_g_per_l", unit: "g/L", hardHigh: 50, likelyHigh: 35,
	hint: "mg/dL? 1 g/L is 100 mg/dL"}

var boundsIgGMgPerDL = bounds{field: "igg_mg_per_dl", unit: "mg/dL", hardHigh: 5000, likelyHigh: 3500,
	hint: "1 g/L is 100 mg/dL"}

var boundsIgGBand = bounds{field: "igg_band", unit: "g/L", hardHigh: 50, likelyHigh: 35,
	hint: "mg/dL? 1 g/L is 100 mg/dL"}

// leastMgPerDL: below this, and above nothing at all, a mg/dL value is more
// likely to be g/L. Taken at its word it would double the dose. The limit is ours.
const leastMgPerDL = 10

const srcNeverSucked = "foals not yet sucked taken as 0 g/L: University of Bologna, conference abstract, handle 11585/528508"

// given counts the forms that were filled in.
func (g IgGReading) given() int {
	n := 0
	for _, have := range []bool{g.IgGGPerL != nil, g.IgGMgPerDL != nil, g.IgGBand != nil, g.IgGUnknown} {
		if have {
			n++
		}
	}
	return n
}

// igg reads the IgG in g/L.
func (c *inputs) igg(g IgGReading) Range {
	if n := g.given(); n != 1 {
		c.refuse(refusal.New("igg_g_per_l", n, "exactly one of: g/L, mg/dL, a band, unknown").
			Because("how many of the four were given is shown"))
		return Range{}
	}
	switch {
	case g.IgGGPerL != nil:
		return Exactly(c.one(boundsIgG, *g.IgGGPerL))
	case g.IgGMgPerDL != nil:
		return c.iggMgPerDL(*g.IgGMgPerDL)
	case g.IgGBand != nil:
		b := *g.IgGBand
		return c.span(boundsIgGBand, Range{b.Low, b.Low + (b.High-b.Low)/2, b.High})
	}
	c.basis.caution(iggUnknown.With())
	c.basis.source(srcNeverSucked)
	c.basis.step("IgG unknown, never sucked: taken as 0 g/L")
	return Exactly(0)
}

func (c *inputs) iggMgPerDL(mg float64) Range {
	if mg > 0 && mg < leastMgPerDL {
		c.refuse(refusal.New("igg_mg_per_dl", num(mg), "0, or 10 to 5000 mg/dL").Because("g/L? " + num(mg) + " g/L is " + num(mg*100) + " mg/dL"))
	}
	c.one(boundsIgGMgPerDL, mg)
	c.basis.step("IgG %s mg/dL / 100 = %s g/L", mg, mg/100)
	return Exactly(mg / 100)
}
