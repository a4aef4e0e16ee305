package cli

import (
	"strings"

	"thawtrail/internal/refusal"
)

// splitLine takes a command line apart as a shell does: words at spaces, 'text'
// and "text" as one, a backslash takes the next character as it is.
func splitLine(field, text string) ([]string, error) {
	var words []string
	var word strings.Builder
	var quote rune
	open, escaped := false, false
	for _, r := range text {
		switch {
		case escaped:
			word.WriteRune(r)
			escaped = false
		case r == '\\' && quote != '\'':
			escaped, open = true, true
		case quote != 0 && r == quote:
			quote = 0
		case quote != 0:
			word.WriteRune(r)
		case r == '\'' || r == '"':
			quote, open = r, true
		case r == ' ' || r == '\t' || r == '\n':
			if open {
				words = append(words, word.String())
				word.Reset()
				open = false
			}
		default:
			word.WriteRune(r)
			open = true
		}
	}
	if quote != 0 || escaped {
		return nil, refusal.New(field, text, "an entry as it is typed").Because("a quote is not closed")
	}
	if open {
		words = append(words, word.String())
	}
	return words, nil
}
