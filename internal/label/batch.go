package label

import "strings"

// CanonicalBatch is the form in which batch codes are matched: without spaces
// and dashes, ASCII letters as capitals. It is for comparing, never for
// showing: what the label says is kept as it was typed.
func CanonicalBatch(text string) string { return squeeze(text) }

// SameBatch says whether two texts name one batch: a hold on one must reach
// bags entered as the other. Texts with nothing left to compare never match.
func SameBatch(a, b string) bool {
	a, b = CanonicalBatch(a), CanonicalBatch(b)
	return a != "" && a == b
}

// NearBatch says whether two codes that are not the same could be one code
// typed wrongly: O for 0, I or L for 1, or one character wrong, missing, added
// or swapped with its neighbour. It is for a warning; a person decides. Codes
// of consecutive batches are near each other too.
func NearBatch(a, b string) bool {
	a, b = CanonicalBatch(a), CanonicalBatch(b)
	if a == "" || b == "" || a == b {
		return false
	}
	return oneEdit([]rune(digitsForLookalikes(a)), []rune(digitsForLookalikes(b)))
}

// CountsOn says whether two codes differ in the number alone with which both end: batches
// that were made one after another.
func CountsOn(a, b string) bool {
	a, b = CanonicalBatch(a), CanonicalBatch(b)
	digits := func(s string) string { return s[len(strings.TrimRight(s, "0123456789")):] }
	x, y := digits(a), digits(b)
	return x != "" && len(x) == len(y) && x != y && strings.TrimSuffix(a, x) == strings.TrimSuffix(b, y)
}

// digitsForLookalikes maps the letters that look like a digit to that digit.
func digitsForLookalikes(code string) string {
	return strings.Map(func(r rune) rune {
		if r < 0x80 {
			return rune(unconfuse(byte(r)))
		}
		return r
	}, code)
}

// oneEdit says whether a and b are alike but for one edit at most. It drops the
// common beginning and end and looks at what is left.
func oneEdit(a, b []rune) bool {
	for len(a) > 0 && len(b) > 0 && a[0] == b[0] {
		a, b = a[1:], b[1:]
	}
	for len(a) > 0 && len(b) > 0 && a[len(a)-1] == b[len(b)-1] {
		a, b = a[:len(a)-1], b[:len(b)-1]
	}
	if len(a) <= 1 && len(b) <= 1 {
		return true
	}
	return len(a) == 2 && len(b) == 2 && a[0] == b[1] && a[1] == b[0]
}
