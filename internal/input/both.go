package input

import (
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/label"
)

// InBothUnits says what was typed in a customary unit and what that is in the field's own,
// where a dose is computed from it: 100 that was typed as pounds and meant as kilograms
// must be seen before it is saved. False where there is nothing to see.
func (t Field) InBothUnits(texts []string) (typed, own string, both bool) {
	doses := strings.HasSuffix(t.Name, "_kg") || strings.HasSuffix(t.Name, "_g_per_l") || strings.HasSuffix(t.Name, "_mg_per_dl")
	if !doses || len(texts) != 1 {
		return "", "", false
	}
	scale := t.Scale
	if t.Desc.Kind() == protoreflect.DoubleKind { // of a plan: kept as it comes
		scale = 1000
	}
	own, both = label.InOwnUnit(t.Name, texts[0], scale)
	return texts[0], own, both
}
