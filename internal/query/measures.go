package query

import (
	"fmt"
	"strconv"

	"thawtrail/internal/say"
	pb "thawtrail/proto/thawtrail/v1"
)

// Igg shows 0.01 g/L in the practice's unit; 1 g/L is 100 mg/dL.
func (b *ReadView) Igg(cg int32) string {
	if b.practice != nil && b.practice.IggUnit == pb.IggUnit_IGG_UNIT_MG_PER_DL {
		return say.Text("measure.mg_per_dl", cg)
	}
	return say.Text("measure.g_per_l", fmt.Sprintf("%d.%02d", cg/100, cg%100))
}

// Celsius shows tenths of a degree.
func (b *ReadView) Celsius(dc int32) string { return say.Text("measure.celsius", tenth(dc)) }

// Weight shows grams as kilograms.
func (b *ReadView) Weight(g int32) string { return say.Text("measure.kg", thousandth(g)) }

// Ml shows a volume.
func (b *ReadView) Ml(ml int32) string { return say.Text("measure.ml", ml) }

func (b *ReadView) mlPerH(v int32) string   { return say.Text("measure.ml_per_h", v) }
func (b *ReadView) mmolPerL(v int32) string { return say.Text("measure.mmol_per_l", thousandth(v)) }
func (b *ReadView) gPerL(dg int32) string   { return say.Text("measure.g_per_l", tenth(dg)) }
func (b *ReadView) percent(pm int32) string { return say.Text("measure.percent", tenth(pm)) }

// money shows minor units in the practice's currency.
func (b *ReadView) money(minor int64) string {
	currency := ""
	if b.practice != nil {
		currency = b.practice.Currency
	}
	return say.Text("measure.money", strconv.FormatFloat(float64(minor)/100, 'f', 2, 64), currency)
}
