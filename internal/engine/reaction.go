package engine

import "slices"

// ReactionSign is something seen during or after plasma, in the words that a
// person picks, with the kinds of reaction that it speaks for.
type ReactionSign struct {
	Name  string
	Words string
	Kinds []string
}

// Kinds of reaction.
const (
	ReactionAllergic     = "allergic"
	ReactionFebrile      = "febrile"
	ReactionAnaphylactic = "anaphylactic"
	ReactionOverload     = "overload"
	ReactionHaemolytic   = "haemolytic"
	ReactionOther        = "other"
)

// ReactionKinds lists the kinds of reaction.
func ReactionKinds() []string {
	return []string{ReactionAllergic, ReactionFebrile, ReactionAnaphylactic, ReactionOverload, ReactionHaemolytic, ReactionOther}
}

// SrcReactionSigns is where the signs come from; which kind they speak for is ours.
const SrcReactionSigns = "signs of reactions and of overload: Rubio-Martinez & Hendrickson (eds), Complications in Equine Surgery, ch. 6; red urine for haemolysis: common practice; which kind a sign speaks for: ours"

// reactionSigns: overload and haemolysis are signs of their own.
var reactionSigns = []ReactionSign{
	{"hives", "hives or swelling of the head", []string{ReactionAllergic, ReactionAnaphylactic}},
	{"itching", "itching", []string{ReactionAllergic}},
	{"shivering", "shivering", []string{ReactionFebrile}},
	{"fever", "temperature up by 1 C or more", []string{ReactionFebrile}},
	{"fast_heart", "fast heart", []string{ReactionAnaphylactic, ReactionOverload}},
	{"fast_breathing", "fast breathing", []string{ReactionAllergic, ReactionOverload}},
	{"laboured_breathing", "laboured breathing", []string{ReactionAnaphylactic, ReactionOverload}},
	{"colic", "colic", []string{ReactionAllergic, ReactionAnaphylactic}},
	{"collapse", "collapse or great weakness", []string{ReactionAnaphylactic}},
	{"cough", "cough", []string{ReactionOverload}},
	{"froth", "froth at nose or mouth", []string{ReactionOverload}},
	{"oedema", "swelling of legs, chest or eyelids", []string{ReactionOverload}},
	{"red_urine", "red or brown urine", []string{ReactionHaemolytic}},
	{"other", "something else", []string{ReactionOther}},
}

// ReactionSigns lists the signs in the order in which to look.
func ReactionSigns() []ReactionSign { return slices.Clone(reactionSigns) }

// ReactionKindsOf are the kinds that signs speak for, in the order of ReactionKinds;
// a name that is not listed speaks for none. It is a hint: the vet names the kind.
func ReactionKindsOf(names []string) []string {
	return slices.DeleteFunc(ReactionKinds(), func(kind string) bool {
		return !slices.ContainsFunc(reactionSigns, func(s ReactionSign) bool {
			return slices.Contains(names, s.Name) && slices.Contains(s.Kinds, kind)
		})
	})
}
