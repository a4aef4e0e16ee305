package query

import (
	"strconv"
	"strings"

	"thawtrail/internal/ledger"
	"thawtrail/internal/wording"
)

// Line is one thing that a card or a sheet says.
type Line struct{ Name, Value string }

// lineOf begins a line with a capital.
func lineOf(name, value string) Line { return Line{strings.ToUpper(name[:1]) + name[1:], value} }

// linesText is lines as answers hold them.
func linesText(lines []Line) (out []string) {
	for _, l := range lines {
		out = append(out, l.Name+": "+l.Value)
	}
	return out
}

// CardLines tells the whole label card, a line for each thing that it says.
func (b *ReadView) CardLines(c *ledger.Card) (out []Line) {
	add := func(name, value string) {
		if value != "" {
			out = append(out, lineOf(name, value))
		}
	}
	number := func(name string, v *int32, unit string) {
		if v != nil {
			add(name, strconv.Itoa(int(*v))+" "+unit)
		}
	}
	add("maker", c.Maker)
	add("registration", c.RegistrationNumber)
	add("species", c.Species)
	add("route", wording.Enum(c.Route))
	number("least age", c.LeastAgeH, "h")
	number("volume", c.VolumeMl, "mL")
	if c.LeastIggCgPerL != nil {
		add("least IgG", b.Igg(*c.LeastIggCgPerL))
	}
	add("additives", c.Additives)
	add("donors", c.DonorStatement)
	add("storage", c.Storage)
	add("warmest storage", b.celsiusOf(c.StorageMaxDc))
	add("thawing", c.Thaw)
	add("warmest water bath", b.celsiusOf(c.ThawMaxDc))
	number("use within", c.UseWithinThawMin, "min of thawing")
	add("dose", c.Dose)
	add("rate", c.Rate)
	number("greatest rate", c.RateMaxMlPerKgPerH, "mL/kg/h")
	add("reactions", c.Reactions)
	add("not for", c.Contraindications)
	number("withdrawal", c.WithdrawalDays, "d")
	add("compared with the label by", c.CheckedBy)
	return out
}

// celsiusOf prints a temperature; empty for none.
func (b *ReadView) celsiusOf(dc *int32) string {
	if dc == nil {
		return ""
	}
	return b.Celsius(*dc)
}

// ForHorses says that a label's species is a horse, or a donkey; a label that names
// none says nothing against it.
func ForHorses(species string) bool {
	species = strings.ToLower(species)
	if species == "" {
		return true
	}
	for _, word := range []string{"horse", "equine", "equid", "equus", "foal", "donkey", "pony", "ponies"} {
		if strings.Contains(species, word) {
			return true
		}
	}
	return false
}
