package engine

import (
	"fmt"
	"math"

	"thawtrail/internal/caution"
	"thawtrail/internal/refusal"
)

// MktInput are readings at equal steps of time.
type MktInput struct {
	Celsius  []float64 // at least one; a year of at least 12 by the published rule
	DHOverRK *float64  // activation energy over the gas constant; nil: 10,000 K
}

// MktResult is the temperature that, held all the time, would age a product as
// much as the readings did.
type MktResult struct {
	Basis
	MeanKineticC float64
	MeanC        float64 // the plain mean, never above the mean kinetic temperature
}

const (
	kelvin          = 273.15
	defaultDHOverRK = 83.144 / 8.3144e-3 // kJ/mol over kJ/mol K
	maxReadings     = 1_000_000
	fewReadings     = 12

	srcMkt = "mean kinetic temperature, dH 83.144 kJ/mol, at least 12 readings over a year: USP 29 <1160>"
)

var (
	mktNeverExtends = caution.Define("mkt_never_extends", caution.Note,
		"Mean kinetic temperature never extends the life of a thawed bag, and never shortens what its label says.")
	mktMelt = caution.Define("mkt_across_melt", caution.Caution,
		"The readings lie on both sides of the melting point (%s C): the formula does not hold across it. A freezer that was warm quarantines its bags.")
	mktFew = caution.Define("mkt_few_readings", caution.Note,
		"%d readings: the published rule asks for 12 or more, at equal steps over a year.")
)

var (
	boundsReading = bounds{field: "celsius", unit: "C", hardLow: -100, hardHigh: 70, hint: "Fahrenheit? 39 F is 4 C; a broken probe?"}
	boundsDHOverR = bounds{field: "dh_over_r_k", unit: "K", hardLow: 1000, hardHigh: 50000, likelyLow: 5000, likelyHigh: 20000,
		hint: "dH/R in K: 83.144 kJ/mol is 10000 K"}
)

// Mkt computes
//
//	T = (dH/R) / -ln( mean of exp(-dH/(R Ti)) )   in kelvin.
//
// The sum is taken relative to the warmest reading, so nothing underflows. It
// refuses no readings, more than a million, and readings out of -100 to 70 C.
func Mkt(in MktInput) (MktResult, error) {
	var r MktResult
	c := &inputs{basis: &r.Basis}
	k := c.or(boundsDHOverR, in.DHOverRK, defaultDHOverRK)
	if n := len(in.Celsius); n == 0 || n > maxReadings {
		c.refuse(refusal.New("celsius", fmt.Sprintf("%d readings", n), fmt.Sprintf("1 to %d readings in C", maxReadings)))
	}
	for _, v := range in.Celsius {
		c.one(boundsReading, v)
	}
	if c.err != nil {
		return MktResult{}, c.err
	}
	least, most := extremes(in.Celsius)
	n := float64(len(in.Celsius))
	sum := 0.0
	for _, v := range in.Celsius {
		r.MeanC += v / n
		sum += math.Exp(k/(most+kelvin) - k/(v+kelvin))
	}
	r.MeanKineticC = min(max(k/(k/(most+kelvin)-math.Log(sum/n))-kelvin, least), most)
	r.step("%d readings from %s to %s C, plain mean %s C, dH/R %s K: mean kinetic temperature %s C", len(in.Celsius), least, most, r.MeanC, k, r.MeanKineticC)
	r.caution(mktNeverExtends.With())
	if least < plasmaMeltC && most >= plasmaMeltC {
		r.caution(mktMelt.With(num(plasmaMeltC)))
	}
	if len(in.Celsius) < fewReadings {
		r.caution(mktFew.With(len(in.Celsius)))
	}
	r.source(srcMkt)
	r.Versions = []string{Version}
	return r, nil
}

func extremes(v []float64) (least, most float64) {
	least, most = v[0], v[0]
	for _, x := range v {
		least, most = min(least, x), max(most, x)
	}
	return least, most
}
