package label

import (
	"fmt"
	"strings"
	"unicode/utf8"

	"thawtrail/internal/refusal"
)

// The kinds of code that Read knows.
const (
	KindBag       = "bag"       // our own bag number
	KindGS1       = "gs1"       // element string, printed form, digital link or product number
	KindMicrochip = "microchip" // animal transponder
	KindUELN      = "ueln"      // universal equine life number
	KindDonation  = "donation"  // donation number, or its expiry field
)

// Reading is all that a code says. Fields that the code does not have are
// empty. A reading that is not valid still shows what could be read: it is for
// the person's eye, never for a record.
type Reading struct {
	Kind       string // one of the kinds above, or empty for a code of no kind known here
	Number     string // the code itself in its canonical form: bag, chip, UELN or donation number
	GTIN       string // product number, 14 digits
	Batch      string // as in the code
	Serial     string
	Expiry     Day
	ExpiryTime string // HH:MM where the code has a time of day
	Made       Day    // production date
	BestBefore Day
	NetML      int64  // net volume
	NetG       int64  // net weight
	Country    string // three digits of a chip or UELN; from 900 a chip's maker
	NationalID string // the twelve characters behind them
	Elements   []Element
	Valid      bool
	Problem    string // one sentence, empty when valid
	Note       string // worth knowing, valid or not, or empty
}

// wrong returns r as not valid because of err.
func (r Reading) wrong(err error) Reading {
	r.Valid, r.Problem = false, err.Error()
	return r
}

const (
	maxCode  = 4000 // bytes; the largest GS1 symbol holds 3,116 digits
	codeWant = "our bag number, a GS1 code, a microchip, a UELN or a donation number"
)

// Read reads one code as a scanner or a person types it. It finds the kind by
// the form. Framing by the scanner (CR, LF, TAB, STX, ETX) and its mark for the
// sort of symbol (]C1 and the like) are taken off.
//
// Fifteen digits are read as a microchip, although a UELN may have no letters
// either: UELN in front says so. Today is for the century of two-digit years.
func Read(code string, today Day) Reading {
	code = strings.TrimFunc(code, isFraming)
	if len(code) > maxCode || !utf8.ValidString(code) {
		return Reading{}.wrong(refusal.New("code", code, codeWant))
	}
	text, isGS1 := cutSymbology(separatorNames.Replace(code))
	switch {
	case isLink(text):
		return readGS1(text, today, (*gs1Reader).link)
	case strings.HasPrefix(text, "("):
		return readGS1(text, today, (*gs1Reader).bracketed)
	case isGS1 || strings.ContainsRune(text, groupSeparator):
		return readGS1(text, today, (*gs1Reader).elementString)
	case strings.HasPrefix(text, "=>") || strings.HasPrefix(text, "&>"):
		return readDonationExpiry(text)
	case strings.HasPrefix(text, "="):
		return readDonation(text)
	}
	return readTyped(text, today)
}

// isFraming knows what scanners put around a code. The group separator is not
// framing: in front it marks a GS1 code.
func isFraming(r rune) bool {
	return isSpace(r) || r < 0x20 && r != groupSeparator
}

// gs1Symbols are the marks (ISO/IEC 15424, from memory) of symbols that carry
// GS1 fields: linear, stacked, two-dimensional, dotted.
const gs1Symbols = " ]C1 ]e0 ]d2 ]Q3 ]J1 "

// cutSymbology takes off the three characters with which a scanner names the
// sort of symbol.
func cutSymbology(text string) (rest string, isGS1 bool) {
	if len(text) < 3 || text[0] != ']' || !allAlnum(strings.ToUpper(text[1:3])) {
		return text, false
	}
	return text[3:], strings.Contains(gs1Symbols, " "+text[:3]+" ")
}

// separatorNames turns the ways in which keyboards show ASCII 29 back into it.
// None of them can stand in a GS1 value.
var separatorNames = strings.NewReplacer("{GS}", "\x1d", "␝", "\x1d", "^]", "\x1d", `\x1d`, "\x1d", `\x1D`, "\x1d")

// readTyped finds the kind of a code without any mark by its length and
// characters.
func readTyped(text string, today Day) Reading {
	code := strings.ReplaceAll(squeeze(text), ".", "")
	if ueln, ok := strings.CutPrefix(code, "UELN"); ok {
		return readUELN(ueln)
	}
	switch n := len(code); {
	case n == bagLength:
		return readBag(code)
	case n == 15 && allDigits(code), n == 16 && code[0] == '8' && isHex(code), strings.HasPrefix(code, "0X"):
		return readChip(code)
	case isUELN(code):
		return readUELN(code)
	case n == 14 && allDigits(code) && !checkDigitFits(code) && readDonation(code).Valid:
		return readDonation(code)
	case allDigits(code) && (n == 8 || n == 12 || n == 13 || n == 14):
		return readGTIN(code)
	case n >= 13 && n <= 16 && !allDigits(code) && isDonation(code[:donationLength]):
		return readDonation(code)
	}
	if _, _, ok := identifierAt(text); ok {
		return readGS1(text, today, (*gs1Reader).elementString)
	}
	return Reading{}.wrong(refusal.New("code", text, codeWant))
}

func isHex(code string) bool {
	return strings.Trim(code, "0123456789ABCDEF") == ""
}

func readBag(text string) Reading {
	r := Reading{Kind: KindBag}
	n, err := ParseBag(text)
	if err != nil {
		return r.wrong(err)
	}
	r.Number, r.Valid = n.String(), true
	return r
}

func readChip(code string) Reading {
	r := Reading{Kind: KindMicrochip}
	chip, err := ParseMicrochip(code)
	if err == nil {
		code = chip.String()
	}
	if len(code) == chipDigits {
		r.Number, r.Country, r.NationalID = code, code[:3], code[3:]
	}
	if err != nil {
		r.Note = "if it is a UELN without letters, put UELN in front"
		return r.wrong(err)
	}
	if chip.Country == chipCountries {
		r.Note = "999 in front is for test chips: such a number may be in more than one animal"
	}
	r.Valid = true
	return r
}

func readUELN(code string) Reading {
	r := Reading{Kind: KindUELN}
	n, err := ParseUELN(code)
	if err != nil {
		return r.wrong(err)
	}
	r.Number, r.Country, r.NationalID, r.Valid = string(n), string(n[:3]), string(n[3:]), true
	return r
}

// readGTIN reads a bare product number, as on goods of the shop.
func readGTIN(code string) Reading {
	r := Reading{Kind: KindGS1, GTIN: padGTIN(code), Valid: checkDigitFits(code)}
	if !r.Valid {
		r.Problem = fmt.Sprintf("position %d: the check digit does not fit", len(code))
	}
	return r
}

// readGS1 reads a GS1 code in one of its forms.
func readGS1(text string, today Day, parse func(*gs1Reader, string)) Reading {
	g := &gs1Reader{today: today}
	parse(g, text)
	g.pairs()
	r := Reading{Kind: KindGS1, GTIN: g.value("01"), Batch: g.value("10"), Serial: g.value("21"), Elements: g.elements}
	r.Expiry = g.date("17")
	r.Made = g.date("11")
	r.BestBefore = g.date("15")
	r.NetG = g.thousandths("310")
	r.NetML = g.thousandths("315")
	if len(g.unread) > 0 {
		r.Note = "not read, fields that begin with: " + refusal.Shorten(strings.Join(g.unread, ", "))
	}
	if g.problem == "" && len(g.elements) == 0 {
		g.fault(1, "no field that is known here")
	}
	r.Problem, r.Valid = g.problem, g.problem == ""
	return r
}

// date is the date of an identifier, or none.
func (r *gs1Reader) date(code string) Day {
	if d, ok := GS1Date(r.value(code), r.today); ok {
		return d
	}
	return Day{}
}

// thousandths is a measure with a decimal position, times 1,000: litres to mL.
// Parts below that are dropped: they are below what a bag is measured to.
func (r *gs1Reader) thousandths(stem string) int64 {
	for _, e := range r.elements {
		if len(e.AI) != 4 || e.AI[:3] != stem || len(e.Value) != 6 || !allDigits(e.Value) {
			continue
		}
		value := int64(number(e.Value)) * 1000
		for range e.AI[3] - '0' {
			value /= 10
		}
		return value
	}
	return 0
}
