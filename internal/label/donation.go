package label

import (
	"fmt"
	"strings"
	"time"

	"thawtrail/internal/refusal"
)

// A donation number names one human donation anywhere for a hundred years: 13
// characters and two flags. It is read here, where a bag carries one, and never
// made. A person types the 13 characters and the boxed check character; a
// scanner sends = in front and the flags behind. Flags 60 to 96 carry the check
// character's value. It is read as text, by the open description in the ISBT 128
// Standard Technical Specification, ST-001, section 2.4. This program has no
// affiliation with its publisher, and makes and registers no such number.
const (
	donationLength   = 13
	donationField    = "donation"
	donationWant     = "a donation number of 13 characters and its check character"
	checkedFlagsFrom = 60
)

// DonationCheckCharacter is the ISO/IEC 7064 MOD 37-2 check character of a
// 13-character donation number; spaces and case do not matter.
func DonationCheckCharacter(din string) (string, error) {
	code := ""
	if len(din) <= maxTyped {
		code = squeeze(din)
	}
	if !isDonation(code) {
		return "", refusal.New(donationField, din, "a donation number of 13 characters, without flags or check character")
	}
	return string(pureCheck(code)), nil
}

// isDonation knows the form: a letter but O or a digit but 0, four letters or
// digits, two digits of the year, six of the sequence.
func isDonation(code string) bool {
	return len(code) == donationLength && allAlnum(code) && code[0] != 'O' && code[0] != '0' && allDigits(code[5:])
}

// readDonation reads a donation number with what stands behind it: a check
// character, two flags, or both.
func readDonation(text string) Reading {
	r := Reading{Kind: KindDonation}
	code := squeeze(strings.TrimPrefix(text, "="))
	if len(code) < donationLength || !isDonation(code[:donationLength]) {
		return r.wrong(refusal.New(donationField, text, donationWant))
	}
	r.Number = code[:donationLength]
	want, flags, check := pureCheck(r.Number), "", ""
	switch rest := code[donationLength:]; len(rest) {
	case 1:
		check = rest
	case 2:
		flags = rest
	case 3:
		flags, check = rest[:2], rest[2:]
	default:
		return r.wrong(refusal.New(donationField, text, donationWant).Because("the check character in the box is missing, or too much was typed"))
	}
	if flags != "" && !allDigits(flags) {
		return r.wrong(refusal.New(donationField, text, "two digits as flags"))
	}
	if flag := number(flags); flag >= checkedFlagsFrom && flag < checkedFlagsFrom+len(symbols) && check == "" {
		check = string(symbols[flag-checkedFlagsFrom])
	}
	if check != "" && check != string(want) {
		return r.wrong(refusal.New(donationField, text, "a number whose check character fits").
			Because(fmt.Sprintf("check character %s does not fit", refusal.Shorten(check))))
	}
	if check == "" {
		r.Note = "these flags carry no check character: compare the number by eye"
	}
	r.Valid = true
	return r
}

// readDonationExpiry reads the expiry field of such labels: => cyyjjj, or &>
// cyyjjjhhmm, where cyy is the end of the year and jjj the day of the year.
// Source: ISBT 128 Standard Technical Specification, ST-001, section 2.4; that
// 9yy is 19yy: from memory.
func readDonationExpiry(text string) Reading {
	r := Reading{Kind: KindDonation}
	code := text[2:]
	want := 6
	if text[0] == '&' {
		want = 10
	}
	if len(code) != want || !allDigits(code) {
		return r.wrong(refusal.New("expiry", text, fmt.Sprintf("%d digits", want)))
	}
	year := 2000 + number(code[:3])
	if code[0] == '9' {
		year -= 1000
	}
	day := number(code[3:6])
	date := DayOf(time.Date(year, 1, day, 0, 0, 0, 0, time.UTC))
	if day < 1 || date.Year != year || year > maxYear {
		return r.wrong(refusal.New("expiry", text, "a day that the year has"))
	}
	r.Expiry = date
	if want == 10 {
		if number(code[6:8]) > 23 || number(code[8:]) > 59 {
			return r.wrong(refusal.New("expiry", text, "a time from 0000 to 2359"))
		}
		r.ExpiryTime = code[6:8] + ":" + code[8:]
	}
	r.Valid = true
	return r
}
