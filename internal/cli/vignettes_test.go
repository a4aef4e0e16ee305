package cli

import (
	"encoding/csv"
	"encoding/json"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestVignettesOfPlans types what a vet would type, and looks for what must be said.
func TestVignettesOfPlans(t *testing.T) {
	f, err := os.Open("../../testdata/vignettes/plans.csv")
	require.NoError(t, err)
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	require.Greater(t, len(rows), 40)
	for _, row := range rows[1:] {
		patient, line, refused, codes, says := row[1], row[2], row[3], row[4], row[5]
		t.Run(patient, func(t *testing.T) {
			words := strings.Fields(strings.ReplaceAll(line, "STOCK", stockFile(t)))
			if refused != "" {
				require.Regexp(t, "^"+refused+"(: | is missing: )", requireRefusedLine(t, words...))
				return
			}
			code, out, errs := runLine(t, append(words, "--json")...)
			require.Zero(t, code, errs)
			var got struct {
				Cautions []struct{ Code string }
			}
			require.NoError(t, json.Unmarshal([]byte(out), &got))
			raised := " "
			for _, c := range got.Cautions {
				raised += c.Code + " "
			}
			for _, want := range strings.Fields(codes) {
				if name, not := strings.CutPrefix(want, "-"); not {
					require.NotContains(t, raised, " "+name+" ")
				} else {
					require.Contains(t, raised, " "+want+" ")
				}
			}
			_, out, _ = runLine(t, words...)
			requireFits(t, out)
			require.Contains(t, strings.Join(strings.Fields(out), " "), strings.TrimSpace(says))
			require.NotRegexp(t, `[^0-9.]0 mL/kg/h`, out)
		})
	}
}
