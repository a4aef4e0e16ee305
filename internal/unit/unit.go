// Package unit turns the customary units of the trade into those of the record, and
// back: pounds, degrees Fahrenheit, milligrams per decilitre, and the clock of twelve
// hours. All is exact: a factor is a fraction of whole numbers, and a result is rounded
// once, at its end, to the nearest step that is kept or shown; half a step goes away from
// zero.
package unit

import (
	"math/big"
	"slices"
	"strings"
)

// Unit is a customary unit beside the one that a field is in: of it, a number x is
// (x - Zero) * Num / Den in that one.
type Unit struct {
	Of             string   // the field's own unit
	Names          []string // as people type it, the first as it is shown
	Num, Den, Zero int64
	Places         int // that are shown behind its decimal point
}

// The units. The international pound is 0.45359237 kg exactly, and t/degF = 9/5 t/degC + 32:
// NIST Special Publication 811 (2008), appendix B.8. The rest is what the prefixes of the SI mean.
var (
	Pound      = Unit{Of: "kg", Names: []string{"lb", "lbs", "pound", "pounds"}, Num: 45_359_237, Den: 100_000_000, Places: 1}
	Fahrenheit = Unit{Of: "C", Names: []string{"°F", "F"}, Num: 5, Den: 9, Zero: 32, Places: 1}
	MgPerDL    = Unit{Of: "g/L", Names: []string{"mg/dL"}, Num: 1, Den: 100}
	gPerDL     = Unit{Of: "g/L", Names: []string{"g/dL"}, Num: 10, Den: 1, Places: 1}
	gPerL      = Unit{Of: "mg/dL", Names: []string{"g/L"}, Num: 100, Den: 1, Places: 2}
)

// Find is the unit that a person typed behind a number of a field in another unit; nil when
// the two do not measure the same.
func Find(of, typed string) *Unit {
	for _, u := range []*Unit{&Pound, &Fahrenheit, &MgPerDL, &gPerDL, &gPerL} {
		if u.Of == of && slices.ContainsFunc(u.Names, func(name string) bool { return strings.EqualFold(name, typed) }) {
			return u
		}
	}
	return nil
}

// FromTyped is a number of the unit in the field's own, exactly.
func (u *Unit) FromTyped(x *big.Rat) *big.Rat {
	less := new(big.Rat).Sub(x, new(big.Rat).SetInt64(u.Zero))
	return less.Mul(less, big.NewRat(u.Num, u.Den))
}

// ToTyped is a number of the field's own unit in this one, exactly.
func (u *Unit) ToTyped(x *big.Rat) *big.Rat {
	more := new(big.Rat).Mul(x, big.NewRat(u.Den, u.Num))
	return more.Add(more, new(big.Rat).SetInt64(u.Zero))
}

// Show writes a stored count, of which scale make one of the field's own unit, in this
// one: 52500 g by 1000 is '115.7 lb'.
func (u *Unit) Show(count, scale int64) string {
	return u.ToTyped(big.NewRat(count, scale)).FloatString(u.Places) + " " + u.Names[0]
}

// Nearest is the whole number nearest to x; false when it has no place in 64 bits.
func Nearest(x *big.Rat) (int64, bool) {
	n, ok := new(big.Int).SetString(x.FloatString(0), 10)
	return n.Int64(), ok && n.IsInt64()
}
