package engine

import (
	"slices"
	"strings"

	"thawtrail/internal/refusal"
)

// Sign is something seen on a foal. The list and what follows from each sign are
// common practice.
type Sign struct {
	Name            string
	Words           string
	Refer           bool // alone a reason to offer referral now
	Weak            bool // asks for blood glucose
	NotByMouth      bool // no colostrum by mouth without the vet
	Isoerythrolysis bool // hints at neonatal isoerythrolysis
	asked           bool // an answer to a question, not one of the list to look through
}

// YellowOrRedUrine is the answer yes to a question of the risk of isoerythrolysis.
const YellowOrRedUrine = "yellow_or_red_urine"

// Signs that a number can stand for.
const (
	lowGlucoseSign     = "low_glucose"
	shortGestationSign = "gestation_under_320_days"
)

var signs = []Sign{
	{Name: "cannot_stand", Words: "cannot stand", Refer: true, Weak: true},
	{Name: "no_suck", Words: "no suck", Refer: true, Weak: true},
	{Name: "cold", Words: "rectal temperature below 37.2 C", Refer: true, NotByMouth: true},
	{Name: "fever", Words: "rectal temperature above 38.9 C", Refer: true},
	{Name: "laboured_breathing", Words: "laboured breathing", Refer: true},
	{Name: "seizure", Words: "seizure", Refer: true},
	{Name: "colic", Words: "colic", Refer: true, NotByMouth: true},
	{Name: "diarrhoea", Words: "diarrhoea", Refer: true},
	{Name: "abnormal_gums", Words: "red, dark or very pale gums", Refer: true},
	{Name: "swollen_joint", Words: "swollen joint", Refer: true},
	{Name: "swollen_navel", Words: "swollen navel", Refer: true},
	{Name: "no_urine_by_12h", Words: "no urine by 12 h", Refer: true},
	{Name: "jaundice", Words: "jaundice", Refer: true, Isoerythrolysis: true},
	{Name: shortGestationSign, Words: "gestation under 320 days", Refer: true},
	{Name: lowGlucoseSign, Words: "low glucose", Refer: true},
	{Name: "red_urine", Words: "red urine", Refer: true, Isoerythrolysis: true},
	{Name: "cannot_swallow", Words: "cannot swallow", Refer: true, NotByMouth: true},
	{Name: "weak", Words: "weak", Weak: true},
	{Name: "unwell", Words: "otherwise unwell"},
	{Name: YellowOrRedUrine, Words: "yellow, or red urine", Refer: true, Isoerythrolysis: true, asked: true},
}

// Signs lists every sign to look for, in the order in which to look.
func Signs() []Sign {
	return slices.DeleteFunc(slices.Clone(signs), func(s Sign) bool { return s.asked })
}

// signs looks up names; a name given twice counts once. A low temperature that was
// measured counts as the sign 'cold' for what may go by mouth.
func (c *inputs) signs(names []string, temperature *float64) []Sign {
	var found []Sign
	for _, name := range names {
		i := slices.IndexFunc(signs, func(s Sign) bool { return s.Name == name })
		if i < 0 {
			c.refuse(refusal.New("sign", name, "one of "+signNames()))
			continue
		}
		if !has(found, name) {
			found = append(found, signs[i])
		}
	}
	if temperature != nil {
		if t := c.one(boundsTemperature, *temperature); t < referBelowC {
			found = append(found, Sign{Name: "measured_cold", NotByMouth: true})
		}
	}
	return found
}

func has(found []Sign, name string) bool {
	return slices.ContainsFunc(found, func(s Sign) bool { return s.Name == name })
}

func signNames() string {
	var names []string
	for _, s := range Signs() {
		names = append(names, s.Name)
	}
	return strings.Join(names, ", ")
}
