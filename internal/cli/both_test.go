package cli

import (
	"bytes"
	"context"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/say"
)

// A weight in pounds is said in both units before it is saved, and who sits at a terminal
// is asked; a bare number is in kilograms, and nothing is asked.
func TestPoundsAreSaidInBothUnits(t *testing.T) {
	for _, c := range []struct {
		entry, typed string
		ask, saves   bool
		says         string
	}{
		{"weigh 5Q '110 lb' --how scale", "yes\n", true, true, "110 lb is 49.895 kg."},
		{"weigh 5Q '110 lb' --how scale", "no\n", true, false, "110 lb is 49.895 kg."},
		{"weigh 5Q '110 lb' --how scale", "", true, false, "Save it so?"},
		{"weigh 5Q '110 lb' --how scale", "", false, true, "110 lb is 49.895 kg."},
		{"igg 5Q --kind strip --igg-g-per-l '350 mg/dL'", "y\n", true, true, "350 mg/dL is 3.5 g/L."},
		{"weigh 5Q 52,5 --how scale", "", true, true, ""},
		{"vitals 5Q --temp-c '101.5 F'", "", true, true, ""},
	} {
		var said bytes.Buffer
		d := newDesk(&said, &said)
		d.in = strings.NewReader(c.typed)
		words, err := splitLine("entry", c.entry)
		require.NoError(t, err)
		_, err = d.parseEntry(words)
		require.NoError(t, err, c.entry)
		err = d.inBothUnits(context.Background(), c.ask)
		require.Equal(t, c.saves, err == nil, "%s: %v", c.entry, err)
		require.Contains(t, said.String(), c.says)
		require.Equal(t, c.says == "", said.String() == "", c.entry)
	}
}

// A command speaks the language that its environment names: what an answer says, and a
// refusal. Names, codes and JSON stay. One that is not there is said.
func TestCommandsSpeakALanguage(t *testing.T) {
	t.Cleanup(func() { require.NoError(t, say.Speak("")) })
	dose := strings.Fields("plan dose --weight-kg 50 --igg-g-per-l 3.5 --donor-igg-g-per-l 18 --age-h 14 --bag-ml 950")
	speak := func(args ...string) (code int, out string) {
		var said bytes.Buffer
		code = Main(t.Context(), args, &said, &said)
		return code, said.String()
	}
	_, english := speak(append(dose, "--json")...)
	t.Setenv("THAWTRAIL_LANGUAGE", say.Pseudo)
	code, out := speak(dose...)
	require.Zero(t, code)
	require.NotContains(t, out, "volume = IgG deficit")
	require.NotContains(t, out, "may not rise at all")
	require.Contains(t, out, "[note: may_not_rise]")
	_, out = speak(append(dose, "--json")...)
	require.Equal(t, english, out, "JSON is the same in every language")
	code, out = speak("plan", "dose", "--weight-kg", "50000", "--igg-g-per-l", "3")
	require.Equal(t, exitRefused, code)
	require.NotContains(t, out, "was refused")
	t.Setenv("THAWTRAIL_LANGUAGE", "none")
	code, out = speak("version")
	require.Equal(t, exitFailed, code)
	require.Contains(t, out, `no language "none"`)
}
