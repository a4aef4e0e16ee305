package cli

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/engine"
)

// TestPlansPrintAllThatTheyFind asks for what the engine finds beside the main
// figures: each field is there, and the screen shows its words at 80 columns.
func TestPlansPrintAllThatTheyFind(t *testing.T) {
	for _, c := range []struct{ line, fields, shown string }{
		{"plan dose --weight-kg 50 --igg-g-per-l 3.5 --donor-igg-g-per-l 18 --age-h 20 --bag-ml 950 --bags 3 --ceiling-ml-per-kg-24h 40 --share-found 0.6 --share-found-low 0.5 --share-found-high 0.8 --donor-igg-low-g-per-l 15 --donor-igg-high-g-per-l 20",
			"distribution_ml_per_kg ceiling_ml bags give_now_ml later_ml rest_of_bag_ml now given_24h_ml other_fluids_24h_ml", "Now: |one fewer|asked|ceiling in 24 h|of other fluids"},
		{"plan dose --indications", "indications", "Rhodococcus equi|botulism antitoxin|20 to 40 mL/kg"},
		{"plan assess --age-h 9 --igg-g-per-l 3 --temperature-c 36.5 --glucose-mg-per-dl 40 --isoerythrolysis yes", "other_scheme_class", "blood glucose 2.22 mmol/L|isoerythrolysis_risk|rectal temperature 36.5"},
		{"plan test --kind turbidimetric --cut-g-per-l 8", "sensitivity specificity cut_g_per_l", "0.85 / (1 - 0.87)|specificity"},
		{"plan test --kinds", "known_tests", "0.693"},
		{"plan response --weight-kg 50 --igg-before-g-per-l 3.5 --igg-after-g-per-l 7.4 --given-ml 1900 --donor-igg-g-per-l 18", "rise_g_per_l igg_given_g", "3.9 g/L"},
		{"plan protein --weight-kg 500 --tp-g-per-l 40 --target-tp-g-per-l 50 --donor-tp-g-per-l 70", "volume_ml_per_kg", "mL/kg (6.429 to 19.29)|12.86"},
		{"plan thaw --held-at-c 37 --recorded 40=52 --recorded 38=49", "learned", "own thaws (2)"},
		{"plan drip --volume-ml 950 --weight-kg 50 --minutes 90 --ceiling-ml-per-kg-per-h 15", "total_min marks", "marks|rate_over_ceiling"},
		{"plan end --volume-ml 950 --noted 02:10=150 --noted 02:30=430 --weight-kg 50", "end_at early late ml_per_h ml_per_kg_per_h left_ml", "Empty at about|840 mL/h"},
		{"plan flow --catheter-gauge 14 --weight-kg 50 --ceiling-ml-per-kg-per-h 10", "torricelli_ml_per_min", "ceiling of 10"},
		{"plan shelf --expiry 2028-03 --warm 40@-6 --softened --card-use-by-hours 2 --at 2026-11-24T03:00:00Z", "source_plasma_class", "warm for 40 h"},
		{"plan mkt --celsius 20,25,30", "mean_c", "25 C"},
		{"plan pick --need-ml 3000 --stock STOCK --at 2026-03-08T10:00:00Z --until 2026-03-08T13:00:00Z", "volume_ml short_ml excluded", "Take 4 bags|on hold"},
		{"plan interval --events 0 --trials 38", "share one_sided_high", "0.0758"},
		{"plan demand --foals 40 --failure-rate 0.16", "probability expected", "expected"},
		{"plan demand --mean 4 --service 0.8", "expected_short filled", "0.1954"},
	} {
		words := strings.Fields(strings.ReplaceAll(c.line, "STOCK", stockFile(t)))
		code, out, errs := runLine(t, append(words, "--json")...)
		require.Zero(t, code, "%s: %s", c.line, errs)
		var got map[string]any
		require.NoError(t, json.Unmarshal([]byte(out), &got), c.line)
		for _, field := range strings.Fields(c.fields) {
			require.Contains(t, got, field, c.line)
			require.NotNil(t, got[field], "%s: %s", c.line, field)
		}
		code, out, _ = runLine(t, words...)
		require.Zero(t, code)
		requireFits(t, out)
		for _, part := range strings.Split(c.shown, "|") {
			require.Contains(t, out, part, c.line)
		}
	}
}

func TestPickPrintsItsSchema(t *testing.T) {
	for _, more := range [][]string{nil, {"--json"}} {
		code, out, _ := runLine(t, append([]string{"plan", "pick", "--schema"}, more...)...)
		require.Zero(t, code)
		require.Equal(t, engine.PickSchema, out)
	}
}

// TestSlipsAreNamed is the table of slips: what a tired person types, the field
// that is refused, and the slip that the refusal names.
func TestSlipsAreNamed(t *testing.T) {
	dose := "plan dose --age-h 20 --donor-igg-g-per-l 18 "
	for _, c := range []struct{ line, field, hint string }{
		{dose + "--weight-kg 50 --igg-g-per-l 350", "igg_g_per_l", "mg/dL"},
		{dose + "--weight-kg 50 --igg-mg-per-dl 3.5", "igg_mg_per_dl", "g/L"},
		{dose + "--weight-kg 50000 --igg-g-per-l 3", "weight_kg", "grams"},
		{dose + "--weight-kg 11st --igg-g-per-l 3", "weight_kg", "in kg, not st"},
		{dose + "--weight-kg 11000lb --igg-g-per-l 3", "weight_kg", "expected"},
		{dose + "--weight-kg 5,000 --igg-g-per-l 3", "weight_kg", "5000"},
		{dose + "--weight-kg 50 --igg-g-per-l 3 --bag-ml 0.95", "bag_ml", "litres"},
		{dose + "--weight-kg 50 --igg-g-per-l 3 --share-found 70", "share_found", "per cent"},
		{dose + "--weight-kg 50 --igg-g-per-l 3 --target-g-per-l 800", "target_g_per_l", "mg/dL"},
		{"plan assess --age-h 14 --igg-g-per-l 3 --temperature-c 101", "temperature_c", "Fahrenheit"},
		{"plan assess --age-h 14 --igg-g-per-l 3 --glucose-mmol-per-l 76", "glucose_mmol_per_l", "mg/dL"},
		{"plan assess --age-h 14 --igg-g-per-l 3 --glucose-mg-per-dl 4.2", "glucose_mg_per_dl", "mmol/L"},
		{"plan thaw --held-at-c 98", "held_at_c", "Fahrenheit"},
		{"plan thaw --held-at-c 37 --bag-temp-c 20", "bag_temp_c", "sign"},
		{"plan thaw --held-at-c 37 --bag-thickness-mm 0.4", "bag_thickness_mm", "not cm"},
		{"plan drip --volume-ml 0.95 --minutes 60", "volume_ml", "litres"},
		{"plan drip --volume-ml 950 --weight-kg 50 --plateau-ml-per-kg-per-h 1000", "plateau_ml_per_kg_per_h", "mL/h"},
		{"plan drip --volume-ml 950 --minutes 2", "minutes", "not hours"},
		{"plan flow --catheter-mm 16", "catheter_mm", "gauge"},
		{"plan flow --catheter-gauge 1.3", "catheter_gauge", "catheter_mm"},
		{"plan flow --catheter-gauge 16 --plasma-temp-c 98", "plasma_temp_c", "Fahrenheit"},
		{"plan weigh --kind foal --girth-cm 33", "girth_cm", "inches"},
		{"plan protein --weight-kg 500 --tp-g-per-l 4 --target-tp-g-per-l 50 --donor-tp-g-per-l 70", "tp_g_per_l", "g/dL"},
		{"plan shelf --expiry 03/04/27", "expiry", "order of day and month"},
		{"plan shelf --expiry 2028-03 --kept-at-c 98.6", "kept_at_c", "Fahrenheit"},
		{"plan test --sensitivity 90 --specificity 0.8", "sensitivity", "per cent"},
		{"plan interval --events 1 --trials 20 --confidence 95", "confidence", "per cent"},
		{"plan mkt --celsius 98.6", "celsius", "Fahrenheit"},
		{"plan response --weight-kg 50 --igg-before-g-per-l 3 --igg-after-g-per-l 7 --given-ml 1.9 --donor-igg-g-per-l 18", "given_ml", "litres"},
		{"plan end --volume-ml 950 --noted 02:10=800 --noted 02:30=520", "given_ml", "left in the bag"},
	} {
		errs := requireRefusedLine(t, strings.Fields(c.line)...)
		require.Regexp(t, "^"+c.field+"(: | is missing: )", errs, "%s", c.line)
		require.Contains(t, errs, c.hint, c.line)
		require.Contains(t, errs, "expected", c.line)
	}
}

// TestUnusualValuesAreCautioned holds the plausible range apart from the hard one.
func TestUnusualValuesAreCautioned(t *testing.T) {
	for line, code := range map[string]string{
		"plan dose --weight-kg 110 --igg-g-per-l 3 --age-h 20":                        "newborn_weight_unusual",
		"plan dose --weight-kg 50 --igg-g-per-l 40 --age-h 20":                        "implausible_input",
		"plan dose --weight-kg 50 --igg-g-per-l 3 --age-h 20 --donor-igg-g-per-l 100": "implausible_input",
		"plan thaw --held-at-c 42":                                                    "bath_over_40",
		"plan drip --volume-ml 950 --minutes 900 --drops-per-ml 100":                  "implausible_input",
		"plan assess --age-h 14 --igg-g-per-l 3 --glucose-mmol-per-l 25":              "implausible_input",
	} {
		code1, out, errs := runLine(t, append(strings.Fields(line), "--json")...)
		require.Zero(t, code1, "%s: %s", line, errs)
		require.Contains(t, out, code, line)
	}
}
