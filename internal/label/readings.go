package label

import (
	"strings"

	"thawtrail/internal/refusal"
)

// Some scanners drop the separator that ends a field of variable length. What they send
// may then be read in several ways: in 10H224021AB the batch is H224021AB, or it is H2240
// and AB is a serial. Which one is right cannot be told from the code.

// maxReadings is how many ways to read one code are told; a person is asked to choose
// among them. maxTries bounds the search for them.
const (
	maxReadings  = 6
	maxTries     = 2000
	maxDroppable = 120 // bytes; six fields of the longest sort
)

// onBags are the fields that stand on a bag beside its product: batch, serial, dates, count
// and content (common practice). Others, such as the variant of a shop's goods (22), would
// make a question of every batch with those digits in it.
const onBags = " 01 10 11 17 21 30 310n 315n "

// Readings are all valid ways to read a code, the one in which nothing was dropped first.
// Ways that differ in nothing that a delivery keeps are one. There are none where the code
// is wrong in every way; more says that there are others still.
//
// A code in which any separator stands, or that names its fields, has one way at most.
func Readings(code string, today Day) (ways []Reading, more bool) {
	plain := Read(code, today)
	if plain.Valid {
		ways = append(ways, plain)
	}
	text, ok := droppable(code)
	if plain.Kind != KindGS1 || !ok {
		return ways, false
	}
	s := &splitter{today: today, tries: maxTries}
	s.split(text, "")
	for _, way := range s.found {
		r := Read("]d2"+way, today)
		if !r.Valid || isAmong(ways, r) {
			continue
		}
		if len(ways) == maxReadings {
			return ways, true
		}
		ways = append(ways, r)
	}
	return ways, s.tries <= 0
}

// Doubtful says that a person has to say how a code is to be read: there are several ways,
// or the only one supposes that a separator was dropped.
func Doubtful(code string, ways []Reading, today Day) bool {
	return len(ways) > 1 || len(ways) == 1 && !Read(code, today).Valid
}

// droppable is the element string of a code that has no separator at all.
func droppable(code string) (text string, ok bool) {
	text, _ = cutSymbology(separatorNames.Replace(strings.TrimFunc(code, isFraming)))
	ok = text != "" && !isLink(text) && text[0] != '(' && !strings.ContainsRune(text, groupSeparator)
	return text, ok && len(text) <= maxDroppable
}

// isAmong compares what a delivery keeps of a code.
func isAmong(ways []Reading, r Reading) bool {
	for _, w := range ways {
		if w.GTIN == r.GTIN && w.Batch == r.Batch && w.Serial == r.Serial && w.Expiry == r.Expiry && w.NetML == r.NetML {
			return true
		}
	}
	return false
}

// splitter looks for the places where a separator may have stood.
type splitter struct {
	today Day
	tries int
	found []string // the code with separators put in
}

// split reads one field off the text, in each length that it may have, and goes on with
// the rest. What was read before stands in front.
func (s *splitter) split(text, before string) {
	if s.tries--; s.tries < 0 || len(s.found) > 4*maxReadings {
		return
	}
	if text == "" {
		s.found = append(s.found, strings.TrimSuffix(before, string(groupSeparator)))
		return
	}
	spec, code, ok := identifierAt(text)
	if !ok || !strings.Contains(onBags, " "+spec.code+" ") || strings.Contains(before, string(groupSeparator)+code) {
		return
	}
	value := text[len(code):]
	for n := spec.least; n <= min(spec.most, len(value)); n++ {
		if spec.wrong(value[:n], s.today) != "" {
			continue
		}
		end := ""
		if spec.least != spec.most {
			end = string(groupSeparator)
		}
		s.split(value[n:], before+text[:len(code)+n]+end)
	}
}

// ParseGTIN reads a maker's product number, as people type it or a scanner sends it, in its
// form of 14 digits.
func ParseGTIN(field, text string) (string, error) {
	r := Read(text, Day{Year: minYear, Month: 1, Day: 1})
	if code := strings.ReplaceAll(squeeze(text), ".", ""); len(code) <= maxTyped && allDigits(code) {
		r = readGTIN(code)
		r.Valid = r.Valid && len(r.GTIN) == 14
	}
	if !r.Valid || r.GTIN == "" {
		return "", refusal.New(field, text, "a product number of 14, 13, 12 or 8 digits, the last of them its check digit")
	}
	return r.GTIN, nil
}
