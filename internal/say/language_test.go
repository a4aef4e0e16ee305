package say

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// speaking has all said in a language until the test ends.
func speaking(t *testing.T, name string) {
	t.Helper()
	require.NoError(t, Speak(name))
	t.Cleanup(func() { require.NoError(t, Speak("")) })
}

// TestEveryLanguageIsWhole: a language has a file with the keys of English and no other, the
// items of each list, and no value that English has not.
func TestEveryLanguageIsWhole(t *testing.T) {
	found, err := filepath.Glob("*.txt")
	require.NoError(t, err)
	require.Len(t, Languages(), len(found))
	for _, name := range append(Languages(), Pseudo) {
		all := pseudo(inEnglish)
		if name != Pseudo {
			raw, err := os.ReadFile(name + ".txt")
			require.NoError(t, err)
			all, err = readCatalogue(string(raw))
			require.NoError(t, err)
		}
		for key, s := range all {
			require.NotNil(t, inEnglish[key], "%s has %s, and English has not", name, key)
			assert.Len(t, s, len(inEnglish[key]), "%s: items of %s", name, key)
			for _, it := range s {
				for _, p := range it {
					assert.LessOrEqual(t, p.value, Wants(key), "%s: values of %s", name, key)
				}
			}
		}
		for key := range inEnglish {
			assert.NotNil(t, all[key], "%s has no %s", name, key)
		}
	}
	require.Error(t, Speak("klingon"))
	require.Equal(t, English, Spoken(), "a language that is not there changes nothing")
}

// TestPseudo: it is as long as a long language, every letter of it has an accent, and what
// is typed, units and layouts of times stay.
func TestPseudo(t *testing.T) {
	speaking(t, Pseudo)
	was, is := 0, 0
	for key := range inEnglish {
		was += utf8.RuneCountInString(inEnglish.text(key, nil, false))
		is += utf8.RuneCountInString(Text(key))
	}
	require.InDelta(t, 1.4, float64(is)/float64(was), 0.1)
	assert.Equal(t, "15:04 on 2 Jan 2006", Text("time.moment"))
	assert.Equal(t, "52.5 kg", Text("measure.kg", "52.5"))
	assert.NotContains(t, Text("clock_behind"), "Bags")
	assert.Equal(t, "restless", Kept("treat.signs")[0], "what records keep has no language")
	assert.NotEqual(t, "restless", List("treat.signs")[0])
}

// TestToldFindsTheSentence is the table of what services say, and of what stays as it is.
func TestToldFindsTheSentence(t *testing.T) {
	speaking(t, Pseudo)
	plain := func(text string) string { return strings.TrimSpace(text) }
	for _, c := range []struct{ text, keeps string }{
		{"950 mL is more than the 900 mL on the label. Bags are often overfilled; check the number.", "950 900"},
		{"temperature up 1.3 C from 38.1 C (limit 1 C); heart rate up 30/min from 96/min (limit 20/min)", "1.3 C"},
		{"Weight in kg", "kg"},
		{"weight in kg", "kg"},
		{"frozen", ""},
		{"1 bag", "1 "},
	} {
		said := Told(c.text)
		for _, word := range strings.Fields(c.keeps) {
			assert.Contains(t, said, word, c.text)
		}
		assert.NotRegexp(t, `\b(label|Bags|rate|limit|[Ww]eight|frozen|bag|temperature)\b`, said, c.text)
	}
	for _, text := range []string{"Quiet Harbour", "Foal plasma", "Her Serene Highness", "One bag for a foal of 50 kg.", "", "950", "7K2M-4V34-J"} {
		assert.Equal(t, text, plain(Told(text)), "what a person typed stays")
	}
	speaking(t, "")
	assert.Equal(t, "weight in kg", Told("weight in kg"), "English is what it is")
}

// FuzzTold: whatever is told, it ends, and in English nothing changes.
func FuzzTold(f *testing.F) {
	for _, text := range []string{"a (b", ": , ; . ", "950 mL is more than the (", strings.Repeat("a, ", 60), "\xff"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		require.Equal(t, text, Told(text))
		if len(text) > 2000 {
			return
		}
		require.NoError(t, Speak(Pseudo))
		defer func() { require.NoError(t, Speak("")) }()
		Told(text)
	})
}
