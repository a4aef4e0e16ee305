package cli

import (
	"fmt"
	"io"
	"strings"

	"thawtrail/internal/say"
)

// screenWidth is the width that every layout fits.
const screenWidth = 80

// page prints text for people, at most 80 columns wide.
type page struct {
	w   io.Writer
	gap bool // an empty line is due before the next text
	any bool // something was printed
}

func newPage(w io.Writer) *page { return &page{w: w} }

func (p *page) line(s string) {
	if p.gap && p.any {
		fmt.Fprintln(p.w)
	}
	p.gap, p.any = false, true
	fmt.Fprintln(p.w, strings.TrimRight(s, " "))
}

// blank parts what came from what comes; it never stands first, last or twice.
func (p *page) blank() { p.gap = true }

// wrap prints a text behind an indent, and further lines below it.
func (p *page) wrap(indent, text string) { p.hang(indent, indent, text) }

// hang prints a text: first stands before its first line, rest before others.
func (p *page) hang(first, rest, text string) {
	for i, l := range wrapText(say.Told(text), screenWidth-runes(rest)) {
		if i == 0 {
			p.line(first + l)
		} else {
			p.line(rest + l)
		}
	}
}

// widestLabel bounds the left column of pairs.
const widestLabel = 34

// pairs prints a label and a text in two columns.
func (p *page) pairs(pairs [][2]string) {
	width := 0
	for _, pair := range pairs {
		if n := runes(pair[0]); n <= widestLabel {
			width = max(width, n)
		}
	}
	rest := strings.Repeat(" ", width+4)
	for _, pair := range pairs {
		if runes(pair[0]) > widestLabel {
			p.line("  " + pair[0])
			p.hang(rest, rest, pair[1])
			continue
		}
		p.hang("  "+pad(pair[0], width)+"  ", rest, pair[1])
	}
}

func pad(s string, width int) string { return s + strings.Repeat(" ", max(0, width-runes(s))) }

// padLeft puts numbers under one another.
func padLeft(s string, width int) string { return strings.Repeat(" ", max(0, width-runes(s))) + s }

// wrapText breaks a text at spaces; a longer word is cut. It gives one line at
// least.
func wrapText(text string, width int) []string {
	width = max(width, 1)
	var lines []string
	for _, paragraph := range strings.Split(clean(text), "\n") {
		current := ""
		for _, word := range strings.Fields(paragraph) {
			switch {
			case current == "":
				current = word
			case runes(current)+1+runes(word) <= width:
				current += " " + word
			default:
				lines = append(lines, current)
				current = word
			}
			for runes(current) > width {
				r := []rune(current)
				lines = append(lines, string(r[:width]))
				current = string(r[width:])
			}
		}
		lines = append(lines, current)
	}
	return lines
}

// column is one column of a table. Cells of a whole column are never wrapped.
type column struct {
	head   string
	number bool
	whole  bool
}

// tableRow is one row, with lines that stand indented below it.
type tableRow struct {
	cells []string
	below []string
}

const (
	columnGap   = 2
	widestWhole = 26 // even a whole column is wrapped above this
)

// table prints rows under their heads. Columns that are empty in every row are
// left out; the widest are wrapped until all fit.
func (p *page) table(cols []column, rows []tableRow) {
	var kept []int
	for c := range cols {
		for _, r := range rows {
			if r.cells[c] != "" {
				kept = append(kept, c)
				break
			}
		}
	}
	if say.Spoken() != say.English {
		for _, r := range rows {
			for c := range r.cells {
				r.cells[c] = say.Told(r.cells[c])
			}
		}
	}
	widths := fitWidths(cols, rows, kept)
	heads := make([]string, len(cols))
	for c := range cols {
		heads[c] = cols[c].head
	}
	p.tableLine(cols, kept, widths, heads)
	for _, r := range rows {
		p.tableLine(cols, kept, widths, r.cells)
		for _, b := range r.below {
			p.wrap("      ", b)
		}
	}
}

// fitWidths gives each column the width of its widest cell, and takes from the
// widest until the table fits: first down to the longest word of each column,
// then, where that is not enough, further.
func fitWidths(cols []column, rows []tableRow, kept []int) []int {
	widths, least := make([]int, len(cols)), make([]int, len(cols))
	total := 0
	for _, c := range kept {
		widths[c], least[c] = runes(cols[c].head), longestWord(cols[c].head)
		for _, r := range rows {
			widths[c] = max(widths[c], min(runes(r.cells[c]), screenWidth))
			unbroken := longestWord(r.cells[c])
			if cols[c].whole {
				unbroken = runes(r.cells[c])
			}
			least[c] = max(least[c], min(unbroken, widestWhole))
		}
		total += widths[c] + columnGap
	}
	total = shrink(widths, least, kept, total)
	for c := range least {
		least[c] = 1
	}
	shrink(widths, least, kept, total)
	return widths
}

// shrink narrows the widest column again and again, none below its least.
func shrink(widths, least, kept []int, total int) int {
	for total > screenWidth {
		widest := -1
		for _, c := range kept {
			if widths[c] > least[c] && (widest < 0 || widths[c] > widths[widest]) {
				widest = c
			}
		}
		if widest < 0 {
			break
		}
		widths[widest]--
		total--
	}
	return total
}

func longestWord(s string) int {
	longest := 0
	for _, w := range strings.Fields(s) {
		longest = max(longest, runes(w))
	}
	return longest
}

func (p *page) tableLine(cols []column, kept []int, widths []int, cells []string) {
	wrapped := make([][]string, len(cols))
	height := 0
	for _, c := range kept {
		wrapped[c] = wrapText(cells[c], widths[c])
		height = max(height, len(wrapped[c]))
	}
	for i := range height {
		var b strings.Builder
		for _, c := range kept {
			cell := ""
			if i < len(wrapped[c]) {
				cell = wrapped[c][i]
			}
			b.WriteString("  ")
			if cols[c].number {
				b.WriteString(padLeft(cell, widths[c]))
			} else {
				b.WriteString(pad(cell, widths[c]))
			}
		}
		p.line(b.String())
	}
}
