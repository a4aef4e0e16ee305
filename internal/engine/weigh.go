package engine

import (
	"thawtrail/internal/caution"
	"thawtrail/internal/refusal"
)

// WeighInput asks for a weight from a measuring tape. There is no default kind.
type WeighInput struct {
	Kind     string   // WeighFoal or WeighAdult
	GirthCm  float64  // behind the elbow and just behind the withers, breathed out
	LengthCm *float64 // point of shoulder to point of buttock; adults only
	AgeH     *float64 // when given, a weight that few newborn foals have is asked about
}

// The kinds of animal with a tape formula. A donkey has none here.
const (
	WeighFoal  = "foal"
	WeighAdult = "adult"
)

// WeighResult is the estimate with its range.
//
// Foal: kg = 90 G^3 (G in metres; 80 Thoroughbred foals of 50 to 250 kg).
// Adult: kg = G^2 L / 11,900 (cm; 372 horses, r2 0.90). No error was published
// with either in what was read: the range of +/- 10 % is ours.
type WeighResult struct {
	Basis
	WeightKg Range
}

const (
	foalTapeFactor    = 90.0
	adultTapeDivisor  = 11900.0
	tapeError         = 0.10
	foalTapeStudyLow  = 50.0 // kg
	foalTapeStudyHigh = 250.0

	// Other adult formulas, shown beside ours because sources disagree.
	adultOtherDivisor = 11880.0
	adultGirthFactor  = 80.0

	srcFoalTape   = "foal tape: Rodriguez et al., Vet Rec 2007 (formula read in news reports)"
	srcAdultTape  = "adult tape: Carroll and Huntington, Equine Vet J 1988;20:41-45 (pages from memory)"
	srcAdultOther = "other adult tapes: 11,880 (underestimates: Wagner and Tyler 2011); 80 G^3 (Marcenac and Aublet)"
	srcTapeError  = "range of +/- 10 %: ours"
)

var tapeExtrapolates = caution.Define("tape_extrapolates", caution.Caution,
	"%s kg is outside the %s to %s kg of the foals that the tape formula was made on: use a scale if there is one.")

var (
	boundsFoalGirth = bounds{field: "girth_cm", unit: "cm", hardLow: 45, hardHigh: 160, likelyLow: 70, likelyHigh: 145,
		hint: "inches? 32 in is 81.3 cm"}
	boundsAdultGirth = bounds{field: "girth_cm", unit: "cm", hardLow: 90, hardHigh: 270, likelyLow: 120, likelyHigh: 230,
		hint: "inches? 71 in is 180 cm"}
	boundsAdultLength = bounds{field: "length_cm", unit: "cm", hardLow: 80, hardHigh: 260, likelyLow: 100, likelyHigh: 200,
		hint: "inches? 61 in is 155 cm"}
)

// Weigh estimates a weight. It refuses an unknown kind and an adult without length.
func Weigh(in WeighInput) (WeighResult, error) {
	var r WeighResult
	c := &inputs{basis: &r.Basis}
	var kg float64
	switch in.Kind {
	case WeighFoal:
		kg = c.weighFoal(in)
	case WeighAdult:
		kg = c.weighAdult(in)
	default:
		c.refuse(refusal.New("kind", in.Kind, "foal or adult"))
	}
	c.or(boundsAge, in.AgeH, 0)
	if c.err != nil {
		return WeighResult{}, c.err
	}
	r.WeightKg = Range{kg * (1 - tapeError), kg, kg * (1 + tapeError)}
	if in.AgeH != nil {
		c.newborn(in.AgeH, r.WeightKg)
	}
	r.step("range +/- 10 %%: %s kg", r.WeightKg)
	r.source(srcTapeError)
	r.Versions = []string{Version}
	return r, nil
}

func (c *inputs) weighFoal(in WeighInput) float64 {
	if in.LengthCm != nil {
		c.refuse(refusal.New("length_cm", num(*in.LengthCm), "no length for a foal").Because("kind adult?"))
	}
	g := c.one(boundsFoalGirth, in.GirthCm) / 100
	kg := foalTapeFactor * g * g * g
	if kg < foalTapeStudyLow || kg > foalTapeStudyHigh {
		c.basis.caution(tapeExtrapolates.With(num(kg), num(foalTapeStudyLow), num(foalTapeStudyHigh)))
	}
	c.basis.step("90 x (%s m)^3 = %s kg", g, kg)
	c.basis.source(srcFoalTape)
	return kg
}

func (c *inputs) weighAdult(in WeighInput) float64 {
	if in.LengthCm == nil {
		c.refuse(refusal.New("length_cm", "not given", "the length from shoulder to buttock in cm").Because("a foal? kind foal needs the girth alone"))
		return 0
	}
	g, l := c.one(boundsAdultGirth, in.GirthCm), c.one(boundsAdultLength, *in.LengthCm)
	kg := g * g * l / adultTapeDivisor
	c.basis.step("(%s cm)^2 x %s cm / 11,900 = %s kg", g, l, kg)
	c.basis.step("other formulas: / 11,880 gives %s kg; 80 x (girth in m)^3 gives %s kg",
		g*g*l/adultOtherDivisor, adultGirthFactor*g*g*g/1e6)
	c.basis.source(srcAdultTape, srcAdultOther)
	return kg
}
