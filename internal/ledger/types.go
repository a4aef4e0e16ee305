package ledger

import "thawtrail/internal/event"

// Event types that share their message with another type.
const (
	typeLinked          event.Type = 5
	typeOpeningStock    event.Type = 31
	typeClamped         event.Type = 79
	typeFinished        event.Type = 82
	typeIggRechecked    event.Type = 85
	typeAdverseReported event.Type = 87
)

// decision says that the type needs authority to enter state.
func decision(t event.Type) bool {
	spec, ok := event.Lookup(t)
	return ok && spec.Rule.GetDecision()
}
