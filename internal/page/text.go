package page

import (
	"fmt"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "thawtrail/proto/thawtrail/v1"
)

// The English of the program's own sentences on pages; what stands still on a
// page stands in its template. Plain words of the trade.
var english = map[string]string{
	"door.closed":   "This browser has not come in by this program's one-time address.",
	"form.large":    "This is more than a form here takes.",
	"form.token":    "This page is from an earlier session. Go back, load it again, and send it once more. Nothing was saved.",
	"nowhere":       "There is nothing at this address.",
	"trouble.title": "This did not work",
	"save":          "Save",
	"hold":          "hold",
	"recall":        "recall",
	"saved.here":    "saved here",
	"saved.sent":    "sent",
	"saved.held":    "held on the clinic's server",
	"choose.one":    "one of these to be chosen",
	"a.value":       "a value",
	"when.wanted":   "when it happened, e.g. 02:10 or 2026-11-24 02:10",
}

// say is a sentence of the catalogue.
func say(key string) string {
	if text, ok := english[key]; ok {
		return text
	}
	return key
}

// fieldWords are labels and hints where the contract's own help is too short for
// a person in a barn: event.field, or field for all events.
var fieldWords = map[string][2]string{
	"case_opened.kind":                    {"What kind of patient", "nothing is assumed"},
	"case_opened.dam_name":                {"Dam's name", ""},
	"case_opened.dam_chip":                {"Dam's microchip", "15 digits; scan it if you can"},
	"case_opened.dam_ueln":                {"Dam's UELN", "15 characters"},
	"case_opened.patient_name":            {"Patient's own name", "for a patient that has one"},
	"case_opened.patient_chip":            {"Patient's own microchip", "a newborn has none: leave it empty"},
	"case_opened.sex":                     {"Sex", ""},
	"case_opened.colour":                  {"Coat colour", ""},
	"case_opened.markings":                {"Markings", "e.g. star, near hind sock"},
	"case_opened.box":                     {"Box or paddock", ""},
	"case_opened.yard":                    {"Yard", ""},
	"case_opened.born_at":                 {"Born", "e.g. 02:10, 2026-11-24 02:10, or -10h"},
	"case_opened.twin":                    {"Twin", "A or B; empty for a single foal"},
	"case_opened.neck_band":               {"Neck band number", ""},
	"case_opened.client":                  {"Client", "the horse's owner or agent"},
	"case_opened.gestation_d":             {"Gestation", "days, if known"},
	"case_opened.clock_checked":           {"This laptop's clock was compared with a watch and is right", ""},
	"risk_asked.jaundiced_foal_before":    {"Has this dam ever had a jaundiced foal?", ""},
	"risk_asked.positive_screen":          {"Was an antibody screen of the dam positive?", ""},
	"risk_asked.donkey_sire":              {"Is the sire a donkey or a mule?", ""},
	"risk_asked.yellow_or_red_urine":      {"Is the foal yellow, or its urine red?", ""},
	"patient_examined.temperature_dc":     {"Rectal temperature", ""},
	"patient_examined.heart_rate":         {"Heart rate", ""},
	"patient_examined.breathing_rate":     {"Breathing rate", ""},
	"patient_examined.glucose_umol_per_l": {"Glucose", "asked for in any weak foal"},
	"patient_examined.signs":              {"What is seen", "tick all that fit"},
	"patient_examined.text":               {"More", ""},
	"patient_weighed.weight_g":            {"Weight", "no default; from scales if you can"},
	"patient_weighed.method":              {"How it was found", ""},
	"patient_weighed.low_g":               {"Low end of the range", "from a tape or an estimate"},
	"patient_weighed.high_g":              {"High end of the range", ""},
	"patient_weighed.girth_mm":            {"Girth behind the elbow", ""},
	"igg_tested.kind":                     {"Kind of test", "e.g. barn immunoassay, laboratory"},
	"igg_tested.igg_cg_per_l":             {"IgG", "when the test gives a value"},
	"igg_tested.band_low_cg_per_l":        {"Band: low end", "when the test gives a band"},
	"igg_tested.band_high_cg_per_l":       {"Band: high end", ""},
	"igg_tested.cut_cg_per_l":             {"The test's cut", "when the test only says below or above"},
	"igg_tested.side":                     {"Below or above the cut", "kits use 'positive' both ways: say the side"},
	"igg_tested.never_sucked":             {"Not tested: the foal never sucked", ""},
	"igg_tested.sampled_at":               {"When the sample was taken", "now when empty; e.g. 02:10 or -20m"},
	"colostrum_given.source":              {"Whose colostrum", "dam, another mare, bank"},
	"colostrum_given.volume_ml":           {"How much", ""},
	"colostrum_given.brix_d":              {"Brix", "%"},
	"colostrum_given.specific_gravity_e3": {"Specific gravity", "e.g. 1.085"},
	"colostrum_given.route":               {"How", "sucked, bottle, tube"},
	"colostrum_given.udder_running_milk":  {"The mare had been running milk", ""},
	"referral_offered.reasons":            {"Why it is offered", ""},
	"referral_offered.answer":             {"The client's answer", ""},
	"referral_offered.by":                 {"Who answered", ""},
	"estimate_agreed.amount_minor":        {"Estimate in all", "in the practice's currency"},
	"estimate_agreed.unused_bag_minor":    {"Price of a bag thawed and not used", ""},
	"estimate_agreed.by":                  {"Who agreed", ""},
	"estimate_agreed.how":                 {"How", "in person, by telephone, in writing"},
	"bath_checked.label_read":             {"Product, route and species read on the label", ""},
	"bath_checked.batch_and_expiry_match": {"Batch and expiry on the bag are those of the books, above", ""},
	"bath_checked.bag_whole":              {"Bag whole: no cracks, not reshaped by an old thaw, ports dry", ""},
	"bath_checked.no_hold_known":          {"No hold is known here for this batch", ""},
	"bath_checked.igg_known_or_waived":    {"IgG of the patient known, or waived by the vet", ""},
	"bath_checked.agreement_given":        {"The client agreed", ""},
	"bath_checked.text":                   {"What was not in order", ""},
	"hang_checked.patient_confirmed":      {"This is the patient: dam and marks compared", ""},
	"hang_checked.same_bag":               {"The same bag that was checked before the bath", ""},
	"hang_checked.fully_thawed":           {"Fully thawed: no ice, no lumps", ""},
	"hang_checked.clear_no_clots":         {"Clear, no clots", ""},
	"hang_checked.whole_when_squeezed":    {"Whole when squeezed", ""},
	"hang_checked.bag_dc":                 {"Temperature of the bag", "about 30 to 37 C by thermometer"},
	"hang_checked.filtered_set":           {"Set with filter", ""},
	"hang_checked.spare_set":              {"Spare set at hand", ""},
	"hang_checked.reaction_card_in_reach": {"Adrenaline and reaction card in reach", ""},
	"hang_checked.baseline_vitals":        {"Baseline vitals noted", ""},
	"hang_checked.text":                   {"What was not in order", ""},
	"vitals_noted.temperature_dc":         {"Temperature", ""},
	"vitals_noted.heart_rate":             {"Heart", ""},
	"vitals_noted.breathing_rate":         {"Breaths", ""},
	"vitals_noted.given_ml":               {"Given of this bag so far", "read off the bag, never from drops"},
	"vitals_noted.text":                   {"More", ""},
	"thaw_started.bath_dc":                {"Temperature of the mixed bath", "30 to 37 C; never over 45 C"},
	"thaw_started.water_l_x10":            {"Water in the bucket", "litres"},
	"bath_measured.bath_dc":               {"Temperature of the mixed bath now", "measure after stirring, before the bag goes back"},
	"bag_thawed.bag_dc":                   {"Temperature of the bag", "by thermometer, folded round the probe"},
	"stopped.given_ml":                    {"Given of this bag in all", "read off the bag"},
	"stopped.reason":                      {"Why it was stopped", ""},
	"finished.given_ml":                   {"Given of this bag in all", "read off the bag"},
	"reaction_noted.signs":                {"What is seen", ""},
	"reaction_noted.grave":                {"Grave: collapse, laboured breathing or the like", ""},
	"rate_set.ml_per_h":                   {"Rate", ""},
	"rate_set.drops_per_min":              {"Drops counted in a minute", ""},
	"handed_over.to_person":               {"To whom", ""},
	"handed_over.given_ml":                {"Given so far", ""},
	"handed_over.ml_per_h":                {"Rate now", ""},
	"handed_over.reaction_seen":           {"A reaction was seen", ""},
	"handed_over.next_vitals_at":          {"Next vitals due", "e.g. 02:30"},
	"handed_over.sitter":                  {"Who sits with the foal", ""},
	"recheck_planned.person":              {"Who does it", "a named person"},
	"recheck_planned.due_at":              {"Due", "24 h after the end when empty; e.g. 2026-11-25 04:00"},
	"case_closed.outcome":                 {"Outcome", ""},
	"case_closed.reason":                  {"Reason", "when it died or was euthanased"},
	"bag":                                 {"Bag number", "scan the sticker or type it"},
	"bags":                                {"Bag numbers", "one a line, scanned or typed"},
	"bags_seen":                           {"Every bag number seen", "scan each; one a line"},
	"batch":                               {"Batch", "as printed"},
	"expiry":                              {"Expiry", "as printed: 2027-04-03 or 2027-04"},
	"place":                               {"Place", ""},
	"product":                             {"Product", ""},
}

// labelOf is the label and the hint of a field.
func labelOf(eventName, field string, rule *pb.FieldRule) (label, hint string) {
	for _, key := range []string{eventName + "." + field, field} {
		if words, ok := fieldWords[key]; ok {
			return words[0], words[1]
		}
	}
	help := rule.Help
	if help == "" {
		help = strings.ReplaceAll(field, "_", " ")
	}
	help = strings.TrimSuffix(help, " in C")
	return strings.ToUpper(help[:1]) + help[1:], ""
}

// reactionSigns are offered when a reaction is noted (common practice; the
// practice's own words go into the text).
var reactionSigns = []string{
	"restless", "shivering", "hives", "itching", "fast heart", "fast or laboured breathing", "fever", "colic",
	"sweating", "swelling of the head", "weak or falling over", "collapse",
}

// plainly words an error that a person can act on.
func plainly(err error) (string, bool) {
	s, ok := status.FromError(err)
	if !ok || s.Code() == codes.Internal {
		return "", false
	}
	return s.Message(), true
}

// count is a number with its noun.
func count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}
