package query

import (
	"fmt"

	"thawtrail/internal/say"
	"thawtrail/internal/unit"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// Beside is which customary units the practice has shown beside those of the record: never
// instead of them.
type Beside struct{ MgPerDL, Pounds, Fahrenheit, Hours12 bool }

// Beside reads the practice's settings, once for each look.
func (b *ReadView) Beside() Beside {
	if b.beside == nil {
		is := func(setting string) bool {
			value, err := b.Setting(setting)
			return err == nil && value > 0
		}
		b.beside = &Beside{
			MgPerDL: b.practice != nil && b.practice.IggUnit == pb.IggUnit_IGG_UNIT_MG_PER_DL,
			Pounds:  is(SettingWeight), Fahrenheit: is(SettingTemperature), Hours12: is(SettingClock),
		}
	}
	return *b.beside
}

// Unit is the unit shown beside one of the record; empty for none.
func (u Beside) Unit(own string) string {
	for _, other := range []struct {
		wanted bool
		*unit.Unit
	}{{u.MgPerDL, &unit.MgPerDL}, {u.Pounds, &unit.Pound}, {u.Fahrenheit, &unit.Fahrenheit}} {
		if other.wanted && other.Of == own {
			return other.Names[0]
		}
	}
	return ""
}

// With is a text, and the same in another unit behind it, where there is one.
func (Beside) With(own, other string) string {
	if other == "" {
		return own
	}
	return say.Text("measure.beside", own, other)
}

// other is a stored count in a customary unit; empty where that is not wanted.
func other(wanted bool, u *unit.Unit, count, scale int32) string {
	if !wanted {
		return ""
	}
	return u.Show(int64(count), int64(scale))
}

// FahrenheitOf is tenths of a degree in Fahrenheit; empty where that is not wanted.
func (u Beside) FahrenheitOf(dc int32) string { return other(u.Fahrenheit, &unit.Fahrenheit, dc, 10) }

// MgPerDLOf is 0.01 g/L in mg/dL; empty where that is not wanted.
func (u Beside) MgPerDLOf(cg int32) string { return other(u.MgPerDL, &unit.MgPerDL, cg, 100) }

// Igg shows 0.01 g/L.
func (b *ReadView) Igg(cg int32) string { return b.Beside().Igg(cg) }

// Celsius shows tenths of a degree.
func (b *ReadView) Celsius(dc int32) string { return b.Beside().Celsius(dc) }

// Weight shows grams as kilograms.
func (b *ReadView) Weight(g int32) string { return b.Beside().Weight(g) }

// Igg shows 0.01 g/L; 1 g/L is 100 mg/dL.
func (u Beside) Igg(cg int32) string {
	return u.With(say.Text("measure.g_per_l", fmt.Sprintf("%d.%02d", cg/100, cg%100)), u.MgPerDLOf(cg))
}

// Celsius shows tenths of a degree.
func (u Beside) Celsius(dc int32) string {
	return u.With(say.Text("measure.celsius", tenth(dc)), u.FahrenheitOf(dc))
}

// Weight shows grams as kilograms.
func (u Beside) Weight(g int32) string {
	return u.With(say.Text("measure.kg", thousandth(g)), other(u.Pounds, &unit.Pound, g, 1000))
}

// Ml shows a volume.
func (b *ReadView) Ml(ml int32) string { return say.Text("measure.ml", ml) }

func (b *ReadView) mlPerH(v int32) string   { return say.Text("measure.ml_per_h", v) }
func (b *ReadView) mmolPerL(v int32) string { return say.Text("measure.mmol_per_l", thousandth(v)) }
func (b *ReadView) gPerL(dg int32) string   { return say.Text("measure.g_per_l", tenth(dg)) }
func (b *ReadView) percent(pm int32) string { return say.Text("measure.percent", tenth(pm)) }

// currency is the practice's; empty before there is a practice.
func (b *ReadView) currency() string {
	if b.practice == nil {
		return ""
	}
	return b.practice.Currency
}

// money shows minor units in the practice's currency.
func (b *ReadView) money(minor int64) string { return moneyIn(minor, b.currency()) }

// moneyIn shows minor units in a currency.
func moneyIn(minor int64, currency string) string {
	return say.Text("measure.money", wording.Money(minor), currency)
}
