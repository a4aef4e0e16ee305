package label

import (
	"math/big"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"thawtrail/internal/testrun"
)

func TestParseDecimalTable(t *testing.T) {
	for _, row := range table(t, "decimals.csv") {
		got, err := ParseDecimal(row["field"], row["text"])
		if row["refused"] != "" {
			contains(t, refused(t, err, row), row["refused"])
			_, err = ParseScaled(row["field"], row["text"], 1_000_000)
			contains(t, refused(t, err, row), row["refused"])
			continue
		}
		want := must(strconv.ParseFloat(row["value"], 64))(t)
		equal(t, want, must(got, err)(t), row)
	}
}

func TestParseScaledTable(t *testing.T) {
	for _, row := range table(t, "scaled.csv") {
		scale := must(strconv.ParseInt(row["scale"], 10, 64))(t)
		got, err := ParseScaled("igg_g_per_l", row["text"], scale)
		if row["refused"] != "" {
			contains(t, refused(t, err, row), row["refused"])
			continue
		}
		equal(t, row["value"], strconv.FormatInt(must(got, err)(t), 10), row)
	}
}

// typedNumbers draws plain numbers of at most 15 digits.
func typedNumbers() *rapid.Generator[string] {
	return rapid.StringMatching(`-?\d{1,8}([.]\d{1,7})?`)
}

// Both readings against exact rationals, with a point and with a comma.
func TestDecimalsAgainstRationals(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		text := typedNumbers().Draw(t, "text")
		exact, _ := new(big.Rat).SetString(text)
		want, _ := exact.Float64()
		equal(t, want+0, must(ParseDecimal("ml", text))(t)+0)

		scale := rapid.SampledFrom([]int64{1, 10, 100, 1000, 1_000_000_000}).Draw(t, "scale")
		scaled := new(big.Rat).Mul(exact, new(big.Rat).SetInt64(scale))
		comma := strings.Replace(text, ".", ",", 1)
		got, err := ParseScaled("ml", text, scale)
		if !scaled.IsInt() || !scaled.Num().IsInt64() {
			refused(t, err, text, scale)
			return
		}
		equal(t, scaled.Num().Int64(), must(got, err)(t))
		if got, err := ParseScaled("ml", comma, scale); err != nil {
			contains(t, refused(t, err), "type the one you mean")
		} else {
			equal(t, scaled.Num().Int64(), got)
		}
	})
}

func FuzzParseDecimal(f *testing.F) {
	for _, seed := range []string{"8,5", "-3.25 C", "1,234.5", "NaN", "1e9", "999999999999999", "\xff", "+", "８", "1,050"} {
		f.Add(uint8(0), seed, int64(100))
	}
	f.Add(uint8(14), "0F", int64(-103))
	f.Fuzz(func(t *testing.T, which uint8, text string, scale int64) {
		field := "value" + fieldUnits[int(which)%len(fieldUnits)].ending
		value, err := ParseDecimal(field, text)
		if err != nil {
			refused(t, err)
			return
		}
		if d, err := parseDecimal(field, text); err == nil && d.other == nil { // 0 F has no end in C
			again := must(ParseDecimal("x", strconv.FormatFloat(value, 'f', -1, 64)))(t)
			equal(t, value, again)
		}
		if scale > 0 {
			if _, err := ParseScaled(field, text, scale); err != nil {
				refused(t, err)
			}
		}
	})
}

func BenchmarkParseScaled(b *testing.B) {
	for b.Loop() {
		must(ParseScaled("igg_g_per_l", "8,25 g/L", 100))(b)
	}
}
