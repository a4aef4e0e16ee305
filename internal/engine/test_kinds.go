package engine

import "slices"

// StallTestKind is one published comparison of a test with radial
// immunodiffusion (or as noted), always for finding foals below the cut.
type StallTestKind struct {
	Kind        string
	CutGPerL    float64
	Sensitivity float64
	Specificity float64
	Note        string
	Source      string
}

const (
	srcMetzger = "Metzger et al., J Vet Intern Med 2006;20:382-387 (67 hospital foals under 19 days)"
	srcUjvari  = "Ujvari et al., J Vet Intern Med 2017 (127 samples of 48 foals)"
	srcDavis   = "Davis and Giguere, JAVMA 2005;227:1640-1645 (100 foals)"
	srcLeBlanc = "modified zinc sulfate in 161 foals under 18 h: LeBlanc et al., J Equine Vet Sci 1990 (authors and year from memory)"
	srcElisa22 = "J Equine Vet Sci 2022, PMID 35577108 (119 samples of 148 foals, 1 to 6 days; reference ELISA)"
	srcBrix    = "Evaluation of refractometry methods for estimating passive immunity status in neonatal foals (185 Arabian foals, 18 to 40 h)"
	srcBrix18  = "Usefulness of digital and optical refractometers for the diagnosis of failure of transfer of passive immunity in neonatal foals, Equine Vet J 2018 (253 samples of 230 foals of a hospital and an ambulatory service)"

	noteTP      = "Cuts of total protein and Brix differ by breed, age and meter (4.0 to 5.7 g/dL in studies): one cut does not carry over."
	noteBrix    = "Two studies disagree on digital Brix: 88.1 and 67.7 % below 4 g/L, 79.0 and 77.3 % at 8 (230 foals of a clinic); 100 and 69.3 %, 100 and 68.5 % (185 Arabian foals)."
	noteSwapped = "Published for finding adequate foals: sensitivity and specificity are swapped here."
)

// stallTests holds shares, not per cent. Kinds are named by method, with the
// protein cut where the kind is a refractometer, and by the study where two studies
// or two tests of one method stand beside each other. Where two studies disagree
// the plain name is the larger clinical one's, and both notes show both.
var stallTests = []StallTestKind{
	{"semi_quantitative_elisa", 4, 0.90, 0.79, "95 % intervals 71-98 and 71-82 %.", srcMetzger},
	{"semi_quantitative_elisa", 8, 0.95, 0.52, "95 % intervals 85-99 and 39-57 %; in bacteraemic foals the specificity was 25 %.", srcMetzger},
	{"serum_protein_50_g_per_l", 8, 0.94, 0.47, noteTP, srcMetzger},
	{"point_of_care_elisa", 4, 0.94, 1, "", srcUjvari},
	{"point_of_care_elisa", 8, 0.69, 0.79, "", srcUjvari},
	{"turbidimetric", 4, 0.94, 1, "", srcUjvari},
	{"turbidimetric", 8, 0.85, 0.87, "Above 8 g/L it read 3 g/L low on average.", srcUjvari},
	{"quantitative_immunoassay", 4, 1, 0.960, "", srcDavis},
	{"quantitative_immunoassay", 8, 0.976, 0.828, "", srcDavis},
	{"semi_quantitative_immunoassay_2005", 4, 0.889, 0.958, "", srcDavis},
	{"semi_quantitative_immunoassay_2005", 8, 0.810, 0.947, "", srcDavis},
	{"semi_quantitative_immunoassay_2005_second", 8, 0.524, 1, "Another test of the same method in the same study.", srcDavis},
	{"zinc_sulfate", 4, 0.889, 0.794, "", srcDavis},
	{"zinc_sulfate", 8, 0.810, 0.569, "", srcDavis},
	{"zinc_sulfate_modified", 4, 0.80, 0.96, "The lower figures of laboratory and practice, eye and light meter.", srcLeBlanc},
	{"glutaraldehyde", 8, 0.929, 0.586, "", srcDavis},
	{"semi_quantitative_elisa_2022", 4, 0.894, 0.830, "", srcElisa22},
	{"semi_quantitative_elisa_2022", 8, 0.947, 0.645, noteSwapped, srcElisa22},
	{"serum_protein_51_g_per_l", 4, 0.652, 0.768, noteTP, srcElisa22},
	{"serum_protein_54_g_per_l", 8, 0.842, 0.673, noteSwapped + " " + noteTP, srcElisa22},
	{"digital_brix", 4, 0.881, 0.677, "Brix 7.8 % or less; 95 % intervals 74.4-96.0 and 60.6-74.3 %. " + noteBrix, srcBrix18},
	{"digital_brix", 8, 0.790, 0.773, "Brix 7.8 % or less; 95 % intervals 68.5-87.3 and 69.8-83.8 %. " + noteBrix, srcBrix18},
	{"digital_brix_arabian_foals", 4, 1, 0.693, "Brix 7.8 % or less. " + noteBrix + " " + noteTP, srcBrix},
	{"digital_brix_arabian_foals", 8, 1, 0.685, "Brix 7.9 % or less. " + noteBrix + " " + noteTP, srcBrix},
	{"serum_protein_46_g_per_l", 4, 1, 0.693, noteTP, srcBrix},
	{"serum_protein_46_g_per_l", 8, 1, 0.728, noteTP, srcBrix},
}

// StallTests lists the published comparisons.
func StallTests() []StallTestKind { return slices.Clone(stallTests) }

// stallKindNames are the kinds, each once, in the order of the table.
func stallKindNames() []string {
	var names []string
	for _, k := range stallTests {
		if !slices.Contains(names, k.Kind) {
			names = append(names, k.Kind)
		}
	}
	return names
}
