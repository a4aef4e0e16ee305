package label_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"thawtrail/internal/testrun"

	"thawtrail/internal/label"
	"thawtrail/internal/refusal"
)

// 1 mmol/L of glucose is 18.0156 mg/dL (180.156 g/mol).
func TestGlucoseWithItsUnit(t *testing.T) {
	for text, want := range map[string]int64{
		"3 mmol/L": 3000, "3,05mmol/l": 3050, "0 mmol/L": 0, "35 mmol/L": 35000,
		"54 mg/dL": 2997, "54mg/dl": 2997, " 76 mg / dL ": 4219, "15 mg/dL": 833, "0 mg/dL": 0, "630 mg/dL": 34970,
	} {
		got, err := label.ParseGlucose("glucose", text)
		require.NoError(t, err, text)
		require.Equal(t, want, got, text)
	}
	for text, hint := range map[string]string{
		"54": "say which", "3.0": "say which", "": "say which", "54 g/L": "say which", "54 mmol/L": "mg/dL?", "4.2 mg/dL": "mmol/L?",
		"631 mg/dL": "", "-3 mmol/L": "mg/dL?", "-54 mg/dL": "", "x mmol/L": "", "1,000 mg/dL": "", strings.Repeat("9", 500): "",
		"999999999999 mg/dL": "",
	} {
		_, err := label.ParseGlucose("glucose", text)
		r, ok := refusal.As(err)
		require.True(t, ok, text)
		require.Equal(t, "glucose", r.Field)
		require.Contains(t, r.Hint, hint, text)
	}
}

func TestGlucoseNeverPanics(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		text := rapid.String().Draw(t, "text") + rapid.SampledFrom([]string{"", "mmol/L", "mg/dL"}).Draw(t, "unit")
		if got, err := label.ParseGlucose("glucose", text); err == nil {
			require.True(t, got >= 0 && got <= 35000)
		}
	})
}
