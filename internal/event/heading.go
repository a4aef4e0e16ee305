package event

import (
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"
)

// unitEndings are the units at the end of field names, longest first where one
// ends in another.
var unitEndings = []struct{ ending, unit string }{
	{"_ml_per_kg_per_h", "mL/kg/h"}, {"_ml_per_kg", "mL/kg"}, {"_ml_per_h", "mL/h"}, {"_ml_per_min", "mL/min"},
	{"_mg_per_dl", "mg/dL"}, {"_g_per_l", "g/L"}, {"_mmol_per_l", "mmol/L"}, {"_drops_per_min", "drops/min"}, {"_per_ml", "per mL"},
	{"_ml", "mL"}, {"_kg", "kg"}, {"_g", "g"}, {"_cm", "cm"}, {"_mm", "mm"}, {"_kj", "kJ"},
	{"_percent", "%"}, {"_minutes", "min"}, {"_min", "min"}, {"_ms", "ms"}, {"_h", "h"}, {"_c", "C"},
}

// capitals are words that keep their capitals in headings.
var capitals = strings.NewReplacer("igg", "IgG", "iv ", "IV ", "gtin", "GTIN", "24h", "in 24 h")

// Heading splits a field's name into its words and its unit, as they are typed:
// igg_cg_per_l with the flag igg-g-per-l is IgG in g/L.
func Heading(f protoreflect.FieldDescriptor) (words, unit string) {
	name := string(f.Name())
	rule := RuleOf(f)
	if rule.Flag != "" {
		name = strings.ReplaceAll(rule.Flag, "-", "_") // the unit in which it is typed
	}
	name = strings.TrimSuffix(name, "_minor")
	for _, u := range unitEndings {
		if stem, ok := strings.CutSuffix("_"+name, u.ending); ok {
			name, unit = strings.TrimPrefix(stem, "_"), u.unit
			break
		}
	}
	if name == "" { // the name was all unit: minutes, ml_per_kg_per_h
		if name = "rate"; unit == "min" {
			name = "time"
		}
	}
	if whole := wholeWords[name]; whole != "" {
		name = whole
	}
	return capitals.Replace(strings.ReplaceAll(name, "_", " ")), unit
}

// wholeWords are what people call what a field or flag names in short.
var wholeWords = map[string]string{
	"heart": "heart rate", "breaths": "respiratory rate", "breathing_rate": "respiratory rate", "igg_lacking": "IgG deficit",
	"temp": "temperature", "thaw_max": "warmest water bath", "bath": "water bath",
}

// FromDay says that a field, by its name, tells from when something holds: a day alone is
// then its beginning.
func FromDay(field string) bool { return strings.HasPrefix(field, "holds_") }

// ToCome says that a field, by its name, tells what is still to come: a bare time of day
// is then the next one, and lies ahead of the clock by right.
func ToCome(field string) bool {
	return strings.HasPrefix(field, "due") || strings.HasPrefix(field, "next_") || strings.HasPrefix(field, "holds_")
}
