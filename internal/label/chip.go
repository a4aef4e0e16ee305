package label

import (
	"fmt"
	"strconv"
	"strings"

	"thawtrail/internal/refusal"
)

// Microchip is the code of an animal transponder: 64 bits, of which a reader
// shows 15 digits. Source: ISO 11784, bits counted there from 1 at the top.
type Microchip struct {
	Country uint16 // bits 17-26: 1-899 a country (ISO 3166 numeric), 900-998 a maker, 999 test chips
	ID      uint64 // bits 27-64: below 2^38
}

const (
	chipAnimal    = 1 << 63 // bit 1
	chipIDBits    = 38
	chipMaxID     = 1<<chipIDBits - 1 // 274 877 906 943
	chipCountries = 999
	chipDigits    = 15
	chipField     = "microchip"
	chipWant      = "a microchip of 15 digits, or its 64 bits as 16 hexadecimal digits"
)

// ParseMicrochip reads the 15 digits that a reader shows, or the 64 bits as 16
// hexadecimal digits with or without 0x. Spaces, dashes and points do not
// matter. There is no check digit: a wrong digit is caught only when the number
// no longer fits in 38 bits. Bits 2 to 16, for retagging and for users (2004
// amendment, from memory), are passed over.
func ParseMicrochip(text string) (Microchip, error) {
	if len(text) > maxTyped {
		return Microchip{}, refusal.New(chipField, text, chipWant)
	}
	code := strings.ReplaceAll(squeeze(text), ".", "")
	hex, marked := strings.CutPrefix(code, "0X")
	if marked || len(hex) == 16 {
		return chipFromHex(text, hex)
	}
	if len(code) != chipDigits || !allDigits(code) {
		return Microchip{}, refusal.New(chipField, text, chipWant)
	}
	id, _ := strconv.ParseUint(code[3:], 10, 64)
	return chipOf(text, uint64(number(code[:3])), id)
}

func chipFromHex(text, hex string) (Microchip, error) {
	bits, err := strconv.ParseUint(hex, 16, 64)
	if err != nil || len(hex) != 16 {
		return Microchip{}, refusal.New(chipField, text, chipWant)
	}
	if bits&chipAnimal == 0 {
		return Microchip{}, refusal.New(chipField, text, chipWant).Because("its first bit says that it is not an animal's")
	}
	return chipOf(text, bits>>chipIDBits&0x3ff, bits&chipMaxID)
}

// chipOf checks the two numbers; text is for the refusal.
func chipOf(text string, country, id uint64) (Microchip, error) {
	if country < 1 || country > chipCountries {
		return Microchip{}, refusal.New(chipField, text, "a country or maker from 001 to 999 in front")
	}
	if id > chipMaxID {
		return Microchip{}, refusal.New(chipField, text, fmt.Sprintf("at most %d behind the first three digits", chipMaxID)).
			Because("no chip can hold more: a digit is wrong, or it is another sort of number")
	}
	return Microchip{uint16(country), id}, nil
}

// String is the 15 digits.
func (m Microchip) String() string { return fmt.Sprintf("%03d%012d", m.Country, m.ID) }

// Bits is the 64-bit form: an animal, without a data block.
func (m Microchip) Bits() uint64 {
	return chipAnimal | uint64(m.Country)<<chipIDBits | m.ID
}

// UELN is a universal equine life number, 15 capitals and digits: three digits
// for the country (ISO 3166 numeric), three characters for the studbook or
// database, nine for the horse, filled with zeros on the left. Some countries
// hide check digits of their own in it; there is none for all.
type UELN string

const (
	uelnField = "ueln"
	uelnWant  = "a UELN: 3 digits for the country, 3 characters for the database, 9 for the horse"
)

// ParseUELN reads a UELN; case, spaces and dashes do not matter.
func ParseUELN(text string) (UELN, error) {
	code := ""
	if len(text) <= maxTyped {
		code = squeeze(text)
	}
	if !isUELN(code) {
		return "", refusal.New(uelnField, text, uelnWant)
	}
	return UELN(code), nil
}

func isUELN(code string) bool {
	return len(code) == 15 && allDigits(code[:3]) && code[:3] != "000" && allAlnum(code)
}

// allAlnum says whether text has nothing but ASCII digits and capitals.
func allAlnum(text string) bool {
	for i := range len(text) {
		if symbolValue(text[i]) < 0 {
			return false
		}
	}
	return true
}
