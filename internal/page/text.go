package page

import (
	"strings"

	pb "thawtrail/proto/thawtrail/v1"
)

// labelOf is the label and the hint of a field: the words of the catalogue, where
// the contract's own help is too short for a person in a barn.
func labelOf(eventName, field string, rule *pb.FieldRule) (label, hint string) {
	for _, key := range []string{eventName + "." + field, field} {
		if words := list("field." + key); len(words) == 2 {
			return words[0], words[1]
		} else if len(words) == 1 {
			return words[0], ""
		}
	}
	help := rule.Help
	if help == "" {
		help = strings.ReplaceAll(field, "_", " ")
	}
	help = strings.TrimSuffix(help, " in C")
	return strings.ToUpper(help[:1]) + help[1:], ""
}
