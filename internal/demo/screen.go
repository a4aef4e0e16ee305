package demo

import (
	"context"
	"fmt"
	"io"
	"strings"
	"time"
	"unicode/utf8"
)

// screen prints the story, at most 80 columns wide, at a pace that can be read.
type screen struct {
	w    io.Writer
	fast bool
	zone *time.Location
	name string // of the zone, by its offset: UTC+11:00
}

const (
	width     = 80
	linePause = 450 * time.Millisecond
	headPause = 1500 * time.Millisecond
)

// heading opens a scene: where it plays, and in which zone its times are.
func (s *screen) heading(ctx context.Context, where, what string) {
	s.pause(ctx, headPause)
	text := "-- " + where + ": " + what + " "
	rule := strings.Repeat("-", max(2, width-runes(text)-1-runes(s.name)))
	fmt.Fprintf(s.w, "\n%s%s %s\n", text, rule, s.name)
}

// Columns of a line of the story: when, where, who, what.
const (
	whereWidth = 7
	whoWidth   = 10
	whenWidth  = 6
	textColumn = 2 + whenWidth + 2 + whereWidth + 1 + whoWidth + 1
)

// line says what one person did, where and when: a time of the night, or a day
// before it.
func (s *screen) line(ctx context.Context, when, where, who, text string) {
	lead := fmt.Sprintf("  %-*s  %-*s %-*s ", whenWidth, when, whereWidth, where, whoWidth, who)
	s.hang(lead, textColumn, text)
	s.pause(ctx, linePause)
}

// note adds to the line above it.
func (s *screen) note(text string) { s.hang(strings.Repeat(" ", textColumn), textColumn, text) }

// caution shows what the program said to the person at that moment.
func (s *screen) caution(text string) {
	s.hang(strings.Repeat(" ", textColumn-2)+"! ", textColumn, text)
}

// row prints a name and what stands beside it.
func (s *screen) row(name, text string) { s.hang(fmt.Sprintf("  %-8s", name), 10, text) }

// tell prints a paragraph.
func (s *screen) tell(text string) { s.hang("  ", 2, text) }

func (s *screen) gap() { fmt.Fprintln(s.w) }

// raw prints what a command printed.
func (s *screen) raw(text string) { fmt.Fprint(s.w, text) }

// hang wraps a text behind a lead, with further lines at the given column.
func (s *screen) hang(lead string, column int, text string) {
	line := lead
	empty := true
	for _, word := range strings.Fields(text) {
		if !empty && runes(line)+1+runes(word) > width {
			fmt.Fprintln(s.w, line)
			line, empty = strings.Repeat(" ", column), true
		}
		if !empty {
			line += " "
		}
		line, empty = line+word, false
	}
	fmt.Fprintln(s.w, line)
}

func runes(s string) int { return utf8.RuneCountInString(s) }

// pause waits, unless the night is played fast or is interrupted.
func (s *screen) pause(ctx context.Context, d time.Duration) {
	if s.fast {
		return
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	}
}
