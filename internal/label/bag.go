package label

import (
	"errors"
	"fmt"
	"io"
	"strings"

	"thawtrail/internal/refusal"
)

// BagNumber is our own number of one bag, in its canonical form: eight random
// characters and a check character, capitals, without spaces or dashes. Bags
// of one delivery often share a batch code and carry no serial, so each gets
// such a number on a sticker when it is received.
//
// The 32 characters leave out I, L, O and U, which are misread by people; I
// and L read as 1 and O as 0 when typed. Eight of them are 40 random bits: among
// 100,000 bags numbered on laptops that never met, the chance of any two alike
// is about 0.5 %, and the ledger says so when it happens.
//
// The check character is ISO/IEC 7064 MOD 37,36. That system lets a few swaps
// of neighbours pass (computed: 29 of 17,856 combinations of state and pair),
// so a number with such a swap in it is never made and never accepted. What is
// left catches every single wrong character and every swap of neighbours.
type BagNumber string

const (
	bagAlphabet = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
	bagBody     = 8
	bagLength   = bagBody + 1
	bagField    = "bag"
	bagWant     = "our bag number: 8 characters and a check character, as in XXXX-XXXX-C"
	// bagDraws bounds the redraws. One draw in nine is thrown away; a hundred
	// in a row means that the source is not random.
	bagDraws = 100
)

// NewBagNumber makes a number from five random bytes a draw. The error is the
// source's, or says that the source is not random.
func NewBagNumber(random io.Reader) (BagNumber, error) {
	var raw [5]byte
	for range bagDraws {
		if _, err := io.ReadFull(random, raw[:]); err != nil {
			return "", fmt.Errorf("bag number: reading random bytes: %w", err)
		}
		if number, ok := bagFrom(raw); ok {
			return number, nil
		}
	}
	return "", errors.New("bag number: the random source repeats itself")
}

// bagFrom spells 40 bits in eight characters and adds the check character. It
// says false for a draw that must not be used.
func bagFrom(raw [5]byte) (BagNumber, bool) {
	var bits uint64
	for _, b := range raw {
		bits = bits<<8 | uint64(b)
	}
	var text [bagLength]byte
	state := hybridStart
	for i := range bagBody {
		text[i] = bagAlphabet[bits>>(35-5*i)&31]
		state = hybridStep(state, symbolValue(text[i]))
	}
	text[bagBody] = symbols[hybridCheck(state)]
	if strings.IndexByte(bagAlphabet, text[bagBody]) < 0 || hidesSwap(text[:]) {
		return "", false
	}
	return BagNumber(text[:]), true
}

// bagChecks says whether the last character fits those before it.
func bagChecks(text []byte) bool {
	state := hybridStart
	for _, c := range text[:len(text)-1] {
		state = hybridStep(state, symbolValue(c))
	}
	return hybridCheck(state) == symbolValue(text[len(text)-1])
}

// hidesSwap says whether two unlike neighbours could change places without the
// check character noticing.
func hidesSwap(text []byte) bool {
	for i := 1; i < len(text); i++ {
		if text[i-1] == text[i] {
			continue
		}
		text[i-1], text[i] = text[i], text[i-1]
		passes := bagChecks(text)
		text[i-1], text[i] = text[i], text[i-1]
		if passes {
			return true
		}
	}
	return false
}

// ParseBag reads a bag number as a person types it: case, spaces and dashes do
// not matter, O reads as 0, I and L read as 1.
func ParseBag(text string) (BagNumber, error) {
	if len(text) > maxTyped {
		return "", refusal.New(bagField, text, bagWant)
	}
	squeezed := []byte(squeeze(text))
	for i, c := range squeezed {
		squeezed[i] = unconfuse(c)
		if strings.IndexByte(bagAlphabet, squeezed[i]) < 0 {
			return "", refusal.New(bagField, text, bagWant).Because("only digits and the letters " + bagAlphabet[10:] + " occur")
		}
	}
	if len(squeezed) != bagLength {
		return "", refusal.New(bagField, text, bagWant).Because(fmt.Sprintf("this has %d characters, not %d", len(squeezed), bagLength))
	}
	if !bagChecks(squeezed) || hidesSwap(squeezed) {
		return "", refusal.New(bagField, text, "a number whose check character fits").
			Because(fmt.Sprintf("check character %c does not fit the eight before it: one is wrong or two changed places; read the sticker again", squeezed[bagBody]))
	}
	return BagNumber(squeezed), nil
}

// String is the number as it is printed and read aloud: XXXX-XXXX-C.
func (n BagNumber) String() string {
	if len(n) != bagLength {
		return string(n)
	}
	return string(n[:4] + "-" + n[4:8] + "-" + n[8:])
}
