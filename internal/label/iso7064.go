package label

// ISO/IEC 7064 gives two check characters for letters and digits. Both map
// 0-9 to 0-9 and A-Z to 10-35.
//
// The hybrid MOD 37,36 has its check character in the same 36 symbols. It
// catches every single wrong character and nearly every swap of neighbours.
// The pure MOD 37-2 catches every swap too, but may need a 37th symbol, '*'.

// symbols are the 37 symbols in order of value.
const symbols = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ*"

// symbolValue is the value of a digit or capital letter, or -1.
func symbolValue(c byte) int {
	switch {
	case '0' <= c && c <= '9':
		return int(c - '0')
	case 'A' <= c && c <= 'Z':
		return int(c-'A') + 10
	}
	return -1
}

// hybridStart is the state of MOD 37,36 before the first character.
const hybridStart = 36

// hybridStep carries the state (1 to 36) over one character value.
func hybridStep(state, value int) int {
	sum := (state + value) % 36
	if sum == 0 {
		sum = 36
	}
	return sum * 2 % 37
}

// hybridCheck is the value of the check character that closes a state.
func hybridCheck(state int) int { return (37 - state) % 36 }

// pureCheck is the MOD 37-2 check character of text, which must hold only
// digits and capital letters.
func pureCheck(text string) byte {
	sum := 0
	for i := range len(text) {
		sum = (sum + symbolValue(text[i])) * 2 % 37
	}
	return symbols[(38-sum)%37]
}

// CheckCharacter is the check character of the hybrid system ISO/IEC 7064
// MOD 37,36 for a text of digits and capital letters. It is false for any other
// text.
func CheckCharacter(text string) (byte, bool) {
	state := hybridStart
	for i := range len(text) {
		v := symbolValue(text[i])
		if v < 0 {
			return 0, false
		}
		state = hybridStep(state, v)
	}
	return symbols[hybridCheck(state)], true
}
