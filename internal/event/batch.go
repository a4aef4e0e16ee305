package event

import "strings"

func canonicalBatch(batch string) string {
	return strings.ToUpper(strings.NewReplacer(" ", "", "-", "").Replace(batch))
}
