package engine

import (
	"slices"
	"strings"

	"thawtrail/internal/caution"
	"thawtrail/internal/refusal"
)

// What plasma is given for. All but the first are planned by mL/kg.
const (
	ForTransfer = "failure_of_transfer"
	ForRhodo    = "rhodococcus_equi"
	ForProtein  = "low_protein"
	ForSepsis   = "sepsis"
	ForClotting = "clotting"
	ForOther    = "other"
)

var indicationNames = []string{ForTransfer, ForRhodo, ForProtein, ForSepsis, ForClotting, ForOther}

var (
	boundsMlPerKg = bounds{field: "ml_per_kg", unit: "mL/kg", hardLow: 1, hardHigh: 80, likelyLow: 5, likelyHigh: dayMlPerKg,
		hint: "mL for each kg, not mL"}
	usualMlPerKg = Range{usualMlPerKgLow, usualMlPerKgMid, usualMlPerKgHigh}
)

var byMlPerKg = caution.Define("planned_by_ml_per_kg", caution.Note,
	"Planned by mL/kg, not by IgG: %s.")

// indication reads what plasma is for. It returns the mL/kg of a plan that goes by
// them, and nil for one that goes by IgG.
func (c *inputs) indication(in DoseInput) *Range {
	name := in.Indication
	if name == "" {
		name = ForTransfer
	}
	if !slices.Contains(indicationNames, name) {
		c.refuse(refusal.New("indication", name, "one of "+strings.Join(indicationNames, ", ")))
		return nil
	}
	if name == ForTransfer && in.MlPerKg == nil {
		return nil
	}
	if strings.TrimSpace(in.Reason) == "" && (name == ForTransfer || name == ForOther) {
		c.refuse(refusal.New("reason", "not given", "why plasma is planned by mL/kg"))
	}
	switch {
	case in.MlPerKg != nil:
		return new(Exactly(c.one(boundsMlPerKg, *in.MlPerKg)))
	case in.WeightKg.Mid > adultFromKg:
		c.refuse(refusal.New("ml_per_kg", "not given", "the mL/kg to give; in healthy mares 10 mL/kg was tried"))
	}
	return &usualMlPerKg
}

// explainMlPerKg writes a plan that goes by mL/kg.
func (d dosing) explainMlPerKg(in DoseInput, r *DoseResult) {
	why := strings.ReplaceAll(in.Indication, "_", " ")
	if why == "" {
		why = strings.ReplaceAll(ForTransfer, "_", " ")
	}
	if in.Reason != "" {
		why += ", " + refusal.Shorten(in.Reason)
	}
	r.caution(byMlPerKg.With(why))
	r.step("by mL/kg, for %s: %s mL/kg x %s kg = %s mL", why, *d.perKg, d.weight, r.VolumeMl)
	if in.MlPerKg == nil {
		r.source(srcMlPerKg)
	}
	for i := range indications {
		if indications[i].For == in.Indication && in.Indication != "" {
			r.source(indications[i].Name + ": " + indications[i].Finding + ": " + indications[i].Source)
		}
	}
	if d.vd == nil {
		r.say("no rise is predicted: no distribution volume is published for this age")
	}
}

// Indication is one published use of equine plasma or a related product, as data
// for a reader: amounts are what a study or text gave, not advice. Zero amounts
// mean that none was read.
type Indication struct {
	Name     string
	For      string // the indication of Dose that it is about, or empty
	Patient  string // newborn, foal or adult
	LowMl    float64
	HighMl   float64
	PerKg    bool // amounts are mL/kg
	Finding  string
	Source   string
	Disputed string // what speaks against it, or empty
}

var indications = []Indication{
	{Name: "failure of passive transfer", For: ForTransfer, Patient: "newborn", LowMl: 20, HighMl: 40, PerKg: true,
		Finding:  "the range in common use; size it with the dose plan",
		Source:   "common textbook range, from memory",
		Disputed: "healthy foals below 8 g/L did well without plasma on one farm (Baldwin et al., JAVMA 1991); others fell ill more often (Raidal, Aust Vet J 1996; Clabough et al., J Vet Intern Med 1991)"},
	{Name: "Rhodococcus equi, hyperimmune", For: ForRhodo, Patient: "foal", LowMl: 1000, HighMl: 2000,
		Finding: "odds of pneumonia 2.5 (1.1 to 5.8) after 1 L against 2 L, 158 foals",
		Source:  "Flores-Ahlschwede et al., Equine Vet Educ 2022;34:e67-e72"},
	{Name: "Rhodococcus equi, hyperimmune, two doses", For: ForRhodo, Patient: "foal", LowMl: 950, HighMl: 950,
		Finding:  "950 mL at 1 to 10 days and again at 30 to 50 days: 19.1 against 30 % ill, 165 foals",
		Source:   "Giguere et al., JAVMA 2002;220:59-63",
		Disputed: "the difference was not significant; 12 of 13 fell ill before the second dose"},
	{Name: "Rhodococcus equi, hyperimmune, early trial", For: ForRhodo, Patient: "foal", LowMl: 1000, HighMl: 1000,
		Finding:  "1 L at 1 to 60 days: 2.9 against 43 % ill",
		Source:   "Madigan et al., J Reprod Fertil Suppl 1991:571-578",
		Disputed: "no effect in 34 against 57 foals (Aust Vet J 1995)"},
	{Name: "low protein with colitis", For: ForProtein, Patient: "adult", LowMl: 10, HighMl: 10, PerKg: true,
		Finding: "10 mL/kg lifted total solids by 6 g/L at most, for 48 h, in healthy mares; in colitis 80 % of 69 given plasma lived against 47 % of 23 given hetastarch (dose not seen)",
		Source:  "McKenzie et al., Am J Vet Res 2016;77:708-714; Kopper et al., Can Vet J 2019;60:1207-1212"},
	{Name: "botulism antitoxin", Patient: "foal",
		Finding: "over 96 % of 30 treated foals under 6 months lived; the amount is the label's",
		Source:  "Wilkins and Palmer, J Vet Intern Med 2003;17:702-707"},
	{Name: "botulism antitoxin", Patient: "adult",
		Finding: "48 % of 92 lived, 67 % if standing on arrival; the amount is the label's",
		Source:  "Johnson et al., J Vet Intern Med 2014, doi 10.1111/jvim.12502"},
	{Name: "neonatal isoerythrolysis (red cells, not plasma)", Patient: "newborn", LowMl: 2000, HighMl: 4000,
		Finding:  "2 to 4 L for a 50 kg foal at a packed cell volume below 12 %",
		Source:   "Munroe (ed), Equine Clinical Medicine, Surgery and Reproduction, 2nd ed, p. 1336",
		Disputed: "4 L or more of blood products: odds of liver failure 19.5 (2.13 to 178) (Polkes et al., J Vet Intern Med 2008;22:1216-1222)"},
	{Name: "sick newborn whatever its IgG", For: ForSepsis, Patient: "newborn",
		Finding:  "an opinion: plasma for any sick newborn",
		Source:   "SAEVA Proceedings 2016, p. 203",
		Disputed: "no trial was read"},
}

// Indications lists published uses with their amounts and sources.
func Indications() []Indication { return slices.Clone(indications) }
