package label

import (
	"fmt"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"

	"thawtrail/internal/testrun"
)

var testToday = Day{2026, 6, 30}

func TestReadTable(t *testing.T) {
	for _, row := range table(t, "readings.csv") {
		r := Read(row["code"], testToday)
		net := ""
		if r.NetML > 0 {
			net = strconv.FormatInt(r.NetML, 10)
		}
		got := map[string]string{
			"kind": r.Kind, "number": r.Number, "gtin": r.GTIN, "batch": r.Batch, "serial": r.Serial,
			"expiry": strings.TrimSpace(r.Expiry.String() + " " + r.ExpiryTime), "country": r.Country,
			"national_id": r.NationalID, "net_ml": net, "valid": strconv.FormatBool(r.Valid),
		}
		for field, value := range got {
			equal(t, row[field], value, row["code"], field, r.Problem)
		}
		contains(t, r.Problem, row["problem"])
		contains(t, r.Note, row["note"])
		equal(t, row["note"] == "", r.Note == "", row["code"], r.Note)
		wellFormed(t, row["code"], r)
	}
}

// wellFormed holds for every reading of anything.
func wellFormed(t tester, code string, r Reading) {
	t.Helper()
	if r.Valid != (r.Problem == "") || r.Valid && r.Kind == "" {
		t.Fatalf("%q: valid %v, kind %q, problem %q", code, r.Valid, r.Kind, r.Problem)
	}
	if strings.ContainsAny(r.Problem+r.Note, "\r\n\x1d") || len(r.Problem) > 1000 || !utf8.ValidString(r.Problem) {
		t.Fatalf("%q: problem %q is not one line", code, r.Problem)
	}
	if !r.Expiry.IsZero() && (!r.Expiry.Valid() || r.Expiry.Day == 0) {
		t.Fatalf("%q: expiry %v", code, r.Expiry)
	}
}

func TestReadOurBag(t *testing.T) {
	n := someBag(t, 3)
	for _, text := range []string{n.String(), string(n), strings.ToLower(n.String()) + "\r\n", "]Q1" + n.String(), "\x02" + string(n) + "\x03"} {
		equal(t, Reading{Kind: KindBag, Number: n.String(), Valid: true}, Read(text, testToday), text)
	}
	wrong := []byte(n)
	wrong[3], wrong[4] = wrong[4], wrong[3]
	r := Read(string(wrong), testToday)
	equal(t, KindBag, r.Kind)
	contains(t, r.Problem, "check character")
}

func TestReadWeightsAndDates(t *testing.T) {
	r := Read("0109521234543213"+"3103001250"+"11260101"+"15260630", testToday)
	equal(t, int64(1250), r.NetG)
	equal(t, Day{2026, 1, 1}, r.Made)
	equal(t, Day{2026, 6, 30}, r.BestBefore)
	equal(t, "", r.Problem)
	equal(t, []Element{{"01", "09521234543213", 1}, {"3103", "001250", 17}, {"11", "260101", 27}, {"15", "260630", 35}}, r.Elements)
}

func TestReadBoundsItsInput(t *testing.T) {
	for _, code := range []string{strings.Repeat("1", 1e6), strings.Repeat("(10)A", 700), strings.Repeat("\x1d", 4000), strings.Repeat("00", 2000), "http://" + strings.Repeat("/01", 1000), "\xff\xfe"} {
		r := Read(code, testToday)
		wellFormed(t, code[:2], r)
		equal(t, false, r.Valid)
		if len(r.Elements) > maxElements {
			t.Fatalf("%d elements", len(r.Elements))
		}
	}
}

// label draws the fields of a bag's label.
type bagLabel struct {
	gtin, batch, serial string
	expiry              Day
}

func bagLabels() *rapid.Generator[bagLabel] {
	return rapid.Custom(func(t *rapid.T) bagLabel {
		body := rapid.StringMatching(`\d{13}`).Draw(t, "body")
		text := rapid.StringMatching(`[!"%&'*+,./0-9:;<=>?A-Z_a-z-]{1,20}`)
		d := Day{rapid.IntRange(1977, 2076).Draw(t, "year"), 1, 0}
		d.Month = rapid.SampledFrom([]Day{{0, 1, 0}, {0, 2, 0}, {0, 11, 0}}).Draw(t, "month").Month
		d.Day = rapid.IntRange(1, daysIn(d.Year, d.Month)).Draw(t, "day")
		return bagLabel{body + must(GS1CheckDigit(body))(t), text.Draw(t, "batch"), text.Draw(t, "serial"), d}
	})
}

// The three forms of one label read alike, whatever the scanner puts around
// them.
func TestFormsReadAlike(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		l := bagLabels().Draw(t, "label")
		date := fmt.Sprintf("%02d%02d%02d", l.expiry.Year%100, l.expiry.Month, l.expiry.Day)
		forms := []string{
			"\x1d01" + l.gtin + "17" + date + "10" + l.batch + "\x1d21" + l.serial + "\r",
			"]d201" + l.gtin + "10" + l.batch + "\x1d17" + date + "21" + l.serial + "\t",
			"(01)" + l.gtin + "(10)" + l.batch + "(17)" + date + "(21)" + l.serial,
			"https://example.org/01/" + l.gtin + "/10/" + escape(l.batch) + "/21/" + escape(l.serial) + "?17=" + date,
		}
		for _, form := range forms {
			r := Read(form, testToday)
			equal(t, "", r.Problem, form)
			equal(t, l, bagLabel{r.GTIN, r.Batch, r.Serial, r.Expiry}, form)
		}
	})
}

func escape(text string) string {
	var out strings.Builder
	for i := range len(text) {
		fmt.Fprintf(&out, "%%%02X", text[i])
	}
	return out.String()
}

func TestCheckDigitTable(t *testing.T) {
	for _, row := range table(t, "checkdigits.csv") {
		if row["body"] != "" {
			equal(t, row["check"], must(GS1CheckDigit(row["body"]))(t), row)
			continue
		}
		equal(t, row["fits"], strconv.FormatBool(checkDigitFits(row["key"])), row)
	}
	for _, body := range []string{"", "12a", "1 2", strings.Repeat("1", 300)} {
		_, err := GS1CheckDigit(body)
		refused(t, err)
	}
}

// Every single wrong digit is caught.
func TestCheckDigitCatchesOneWrongDigit(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		body := rapid.StringMatching(`\d{7,17}`).Draw(t, "body")
		key := []byte(body + must(GS1CheckDigit(body))(t))
		equal(t, true, checkDigitFits(string(key)))
		at := rapid.IntRange(0, len(key)-1).Draw(t, "at")
		key[at] = '0' + (key[at]-'0'+byte(rapid.IntRange(1, 9).Draw(t, "by")))%10
		equal(t, false, checkDigitFits(string(key)))
	})
}

func TestGS1DateTable(t *testing.T) {
	for _, row := range table(t, "gs1dates.csv") {
		d, ok := GS1Date(row["text"], must(ParseDay("today", row["today"]))(t))
		equal(t, row["day"] != "", ok, row)
		if ok {
			equal(t, row["day"], d.String(), row)
		}
	}
}

func TestDonationCheckCharacter(t *testing.T) {
	// UK Red Book of transfusion guidelines, annex 2; ISBT 128 ST-001 v6.2.2,
	// figure 2.
	equal(t, "H", must(DonationCheckCharacter("G1234 98 654321"))(t))
	equal(t, "3", must(DonationCheckCharacter("a999921123456"))(t))
	for _, din := range []string{"", "A99992112345", "O999921123456", "0999921123456", "A9999211234X6", "A9999é1123456", strings.Repeat("A", 1000)} {
		_, err := DonationCheckCharacter(din)
		refused(t, err, din)
	}
}

// MOD 37-2 catches every single wrong character and every swap.
func TestDonationSlipsAreRefused(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		din := rapid.StringMatching(`[A-NP-Z1-9][A-Z0-9]{4}\d{8}`).Draw(t, "din")
		typed := din + must(DonationCheckCharacter(din))(t)
		equal(t, "", Read("="+typed, testToday).Problem)
		slip := []byte(typed)
		at := rapid.IntRange(1, len(slip)-1).Draw(t, "at")
		if rapid.Bool().Draw(t, "swap") {
			slip[at-1], slip[at] = slip[at], slip[at-1]
		} else {
			slip[at] = rapid.SampledFrom([]byte(symbols)).Draw(t, "wrong")
		}
		if string(slip) != typed && readDonation(string(slip)).Valid {
			t.Fatalf("%s passes as %s", typed, slip)
		}
	})
}

func TestMicrochipForms(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		want := Microchip{rapid.Uint16Range(1, 999).Draw(t, "country"), rapid.Uint64Range(0, chipMaxID).Draw(t, "id")}
		equal(t, want, must(ParseMicrochip(want.String()))(t))
		// Retag, user and data-block bits are passed over.
		bits := want.Bits() | rapid.Uint64Range(0, 1<<15-1).Draw(t, "other bits")<<48
		equal(t, want, must(ParseMicrochip(fmt.Sprintf("0x%016x", bits)))(t))
		equal(t, want.String(), Read(fmt.Sprintf("%016X", want.Bits()), testToday).Number)
	})
	// ISO 11784; computed by an independent script.
	equal(t, uint64(0x8000450000000001), Microchip{276, 1}.Bits())
	equal(t, uint64(0x8000453FFFFFFFFF), Microchip{276, chipMaxID}.Bits())
	for _, text := range []string{"", "27600000000001", "2760000000000A1", "8000450000000g01", strings.Repeat("1", 999)} {
		_, err := ParseMicrochip(text)
		refused(t, err, text)
	}
	for _, text := range []string{"", "372IRE00012345", "37AIRE000123456", "000IRE000123456", "372IRÉ00012345", strings.Repeat("1", 999)} {
		_, err := ParseUELN(text)
		refused(t, err, text)
	}
}

func FuzzRead(f *testing.F) {
	for _, seed := range []string{
		"01095212345432131726123110ABC123\x1d2112345", "(01)09521234543213(10)A", "https://id.gs1.org/01/09521234543213/10/ABC123?17=261231",
		"276000000000001", "0x8000450000000001", "372IRE000123456", "=G12349865432177", "&>0183221330", "]C1", "]", "=", "=>", "(", "http://", "\x1d", "\xff",
	} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, code string) {
		r := Read(code, testToday)
		wellFormed(t, code, r)
		equal(t, r, Read("\r\n"+code+"\t", testToday))
		if r.Number != "" && r.Valid && r.Kind != KindDonation {
			mark := map[string]string{KindUELN: "UELN"}[r.Kind]
			again := Read(mark+r.Number, testToday)
			equal(t, r.Number, again.Number)
			equal(t, true, again.Valid)
		}
	})
}

func FuzzParseMicrochip(f *testing.F) {
	f.Add("276.000.000.000.001")
	f.Add("0xFFFF453FFFFFFFFF")
	f.Fuzz(func(t *testing.T, text string) {
		m, err := ParseMicrochip(text)
		if err != nil {
			refused(t, err)
			return
		}
		equal(t, m, must(ParseMicrochip(fmt.Sprintf("%x", m.Bits())))(t))
	})
}

func FuzzGS1Date(f *testing.F) {
	f.Add("261231", 2026)
	f.Fuzz(func(t *testing.T, text string, year int) {
		d, ok := GS1Date(text, Day{minYear + (year&0xff)%300, 6, 30})
		if ok && (!d.Valid() || d.Day == 0 || d.Year%100 != number(text[:2])) {
			t.Fatalf("%q in %d reads as %v", text, year, d)
		}
	})
}

func FuzzUELNAndDonation(f *testing.F) {
	f.Add("372IRE000123456")
	f.Add("G123498654321H")
	f.Add("1000000000000\x1d") // a separator of the scanner as check character
	f.Fuzz(func(t *testing.T, text string) {
		n, err := ParseUELN(text)
		if err == nil {
			equal(t, n, must(ParseUELN(string(n)))(t))
		}
		wellFormed(t, text, readDonation(text))
		if _, err := DonationCheckCharacter(text); err != nil {
			refused(t, err)
		}
	})
}

func BenchmarkRead(b *testing.B) {
	for _, code := range []string{"01095212345432131726123110ABC123\x1d2112345", "https://id.gs1.org/01/09521234543213/10/ABC123?17=261231", "276000000000001", "G123498654321H"} {
		b.Run(Read(code, testToday).Kind, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				_ = Read(code, testToday)
			}
		})
	}
}
