package label

import (
	"strings"
	"testing"
	"testing/quick"

	"github.com/stretchr/testify/require"
)

var scanDay = Day{2026, 11, 20}

// TestReadings knows in how many ways a code can be read once its separators are gone.
func TestReadings(t *testing.T) {
	const head = "0109501101530003" + "17280331"
	for _, c := range []struct {
		code  string
		ways  []string // batch and serial
		doubt bool
	}{
		{head + "10H2240", []string{"H2240/"}, false},
		{head + "10H2240\x1d21AB", []string{"H2240/AB"}, false}, // the scanner sends separators
		{head + "10H224021AB", []string{"H224021AB/", "H2240/AB"}, true},
		{"]d2" + head + "10H224021AB", []string{"H224021AB/", "H2240/AB"}, true},
		{head + "10H224021", []string{"H224021/"}, false},                                     // an empty serial is none
		{"(01)09501101530003(17)280331(10)H224021AB", []string{"H224021AB/"}, false},          // it names its fields
		{"https://example.com/01/09501101530003/10/H224021AB", []string{"H224021AB/"}, false}, // so does this
		{"010950110153000310H224017280331", []string{"H224017280331/", "H2240/"}, true},       // a date may follow
		{"010950110153000310H224017289931", []string{"H224017289931/"}, false},                // this one is no date
		{"010950110153000321AB345678901234567810H2240", []string{"/"}, false},                 // filled in below
		{"0109501101530004" + "10H224021AB", nil, false},                                      // its check digit is wrong in every way
		{"hello", nil, false},
	} {
		ways, more := Readings(c.code, scanDay)
		require.False(t, more, c.code)
		var got []string
		for _, w := range ways {
			got = append(got, w.Batch+"/"+w.Serial)
		}
		if strings.Contains(c.code, "10H2240") && strings.Contains(c.code, "00321AB3") {
			require.Contains(t, got, "H2240/AB3456789012345678", "too long for a serial as it stands: %v", got)
			require.True(t, Doubtful(c.code, ways, scanDay))
			continue
		}
		require.Equal(t, c.ways, got, c.code)
		require.Equal(t, c.doubt, Doubtful(c.code, ways, scanDay), c.code)
	}
}

// TestReadingsFindWhatWasDropped takes the separator out of codes and wants the truth among
// the ways, and a question where there are others.
func TestReadingsFindWhatWasDropped(t *testing.T) {
	const alphabet = "ABCH0123456789"
	word := func(seed []byte, most int) string {
		out := []byte{'H'}
		for _, b := range seed {
			if len(out) < most {
				out = append(out, alphabet[int(b)%len(alphabet)])
			}
		}
		return string(out)
	}
	require.NoError(t, quick.Check(func(batch, serial []byte) bool {
		b, s := word(batch, 8), word(serial, 8)
		whole := "0109501101530003" + "10" + b + "\x1d" + "21" + s
		ways, more := Readings(strings.ReplaceAll(whole, "\x1d", ""), scanDay)
		if more {
			return true
		}
		for _, w := range ways {
			if w.Batch == b && w.Serial == s {
				return Doubtful(strings.ReplaceAll(whole, "\x1d", ""), ways, scanDay)
			}
		}
		return false
	}, nil))
}

// FuzzReadings wants no panic, bounded work, and nothing but valid ways.
func FuzzReadings(f *testing.F) {
	for _, c := range []string{"010950110153000310H224021AB", strings.Repeat("21", 2000), "3030303030303030303030", "\x1d10A\x1d", "]d2" + strings.Repeat("101", 900)} {
		f.Add(c)
	}
	f.Fuzz(func(t *testing.T, code string) {
		ways, _ := Readings(code, scanDay)
		require.LessOrEqual(t, len(ways), maxReadings)
		for _, w := range ways {
			require.True(t, w.Valid)
		}
		if gtin, err := ParseGTIN("gtin", code); err == nil {
			require.Len(t, gtin, 14)
		}
	})
}

// TestParseGTIN takes every usual form, and refuses a slip.
func TestParseGTIN(t *testing.T) {
	for text, want := range map[string]string{
		"09501101530003": "09501101530003", "9501101530003": "09501101530003", "9501101 53000 3": "09501101530003",
		"(01)09501101530003(10)H2240": "09501101530003", "09501101530004": "", "H2240": "", "": "", "123": "",
	} {
		got, err := ParseGTIN("gtin", text)
		require.Equal(t, want, got, text)
		require.Equal(t, want == "", err != nil, text)
	}
}
