package cli

import (
	"slices"
	"strings"

	"github.com/spf13/cobra"
)

// mostNear bounds how many words are offered for a slip.
const mostNear = 3

// near are the commands below one that a word may have been meant for: those that it
// begins, and those that a slip or two makes of it; the nearest first. Short words for
// longer ones count too.
func near(below *cobra.Command, word string) []string {
	word = strings.ToLower(word)
	type found struct {
		name  string
		slips int
	}
	var all []found
	for _, c := range below.Commands() {
		slips := slipsBetween(word, c.Name())
		if c.Name() == "help" || slips > slipsIn(word) && !strings.HasPrefix(c.Name(), word) {
			continue
		}
		all = append(all, found{c.Name(), slips})
	}
	slices.SortStableFunc(all, func(a, b found) int { return a.slips - b.slips })
	var names []string
	for _, f := range all[:min(len(all), mostNear)] {
		names = append(names, f.name)
	}
	return names
}

// slipsIn is how many slips a word may have and still be known: two in a short word
// would make it any other.
func slipsIn(word string) int {
	if len(word) < 5 {
		return 1
	}
	return 2
}

// slipsBetween counts letters left out, put in, exchanged, or swapped with their
// neighbour: the distance of Damerau in its restricted form.
func slipsBetween(a, b string) int {
	before, last := make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range last {
		last[j] = j
	}
	for i := range len(a) {
		row := make([]int, len(b)+1)
		row[0] = i + 1
		for j := range len(b) {
			wrong := 1
			if a[i] == b[j] {
				wrong = 0
			}
			row[j+1] = min(last[j]+wrong, last[j+1]+1, row[j]+1)
			if i > 0 && j > 0 && a[i] == b[j-1] && a[i-1] == b[j] {
				row[j+1] = min(row[j+1], before[j-1]+1)
			}
		}
		before, last = last, row
	}
	return last[len(b)]
}
