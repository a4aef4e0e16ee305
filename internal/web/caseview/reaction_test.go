package caseview

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

// TestCardLines reckons lines of a reaction card, and leaves as words what has no
// strength, no unit, or no sense.
func TestCardLines(t *testing.T) {
	for _, c := range []struct{ line, dose, volume string }{
		{"adrenaline | 0.01 mg/kg | 1 mg/mL | vein | ", "0.5 mg", "0.5 mL"},
		{"adrenaline | 0,01 mg/kg | 1 mg/mL", "0.5 mg", "0.5 mL"},
		{"flunixin | 1.1 mg/kg | 50 mg/mL | vein", "55 mg", "1.1 mL"},
		{"dexamethasone | 0.1 mg/kg | 2 mg/mL | vein", "5 mg", "2.5 mL"},
		{"adrenaline 1 mL", "", ""},
		{"adrenaline | 1 mL | 1 mg/mL | vein", "", ""},
		{"adrenaline | 0.01 mg/kg | 1:1000 | vein", "", ""},
		{"adrenaline | 0.01 mg/kg | 0 mg/mL | vein", "", ""},
		{"a | b | c | d | e | f", "", ""},
	} {
		got := cardLineOf(c.line, 50_000)
		assert.Equal(t, c.dose, got.DoseMg, c.line)
		assert.Equal(t, c.volume, got.VolumeMl, c.line)
		if c.dose == "" {
			assert.Equal(t, c.line, got.Words)
		}
	}
}
