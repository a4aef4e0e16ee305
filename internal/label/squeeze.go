package label

import "strings"

// maxTyped bounds what a person types into one field, in bytes. Longer text was
// pasted by mistake and is refused unread.
const maxTyped = 200

// squeeze removes spaces and dashes of every usual sort and makes ASCII letters
// capitals. It leaves other letters as they are: their rules change with the
// editions of Unicode, and two laptops must agree.
func squeeze(text string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case isSpace(r) || isDash(r):
			return -1
		case 'a' <= r && r <= 'z':
			return r - 'a' + 'A'
		}
		return r
	}, text)
}

// isSpace knows ASCII white space and the spaces of word processors.
func isSpace(r rune) bool {
	switch r {
	case ' ', '\t', '\r', '\n', '\v', '\f', 0x00a0, 0x202f, 0x205f, 0x3000, 0xfeff:
		return true
	}
	return 0x2000 <= r && r <= 0x200b
}

// isDash knows the hyphen, the dashes of word processors and the minus sign.
func isDash(r rune) bool {
	return r == '-' || r == 0x00ad || (0x2010 <= r && r <= 0x2015) || r == 0x2212
}

// unconfuse reads the letters that look like a digit as that digit.
func unconfuse(c byte) byte {
	switch c {
	case 'O':
		return '0'
	case 'I', 'L':
		return '1'
	}
	return c
}
