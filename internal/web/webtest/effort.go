package webtest

import (
	"time"
	"unicode/utf8"
)

// Effort counts what a person did.
type Effort struct {
	Presses int // links, buttons, boxes, choices: each pointed at and pressed
	Keys    int // keystrokes, those of codes and commands among them
	Codes   int // keystrokes of what is read letter by letter
	Fields  int // fields typed into
	Hotkeys int // keys that are a command of their own
	Homes   int // moves of the hand between pointer and keyboard
	Loads   int // pages loaded
	Machine time.Duration
}

// Operator times of the keystroke-level model: Card, Moran and Newell, 'The
// keystroke-level model for user performance time with interactive systems',
// Communications of the ACM 23(7), 1980, 396-410; the values were read in a
// chapter that reprints its table (a course text on GOMS of the University of
// Hamburg's computer science department).
const (
	keyMs     = 280  // K: an average typist who is no secretary, 40 words a minute
	codeMs    = 750  // K: typing complex codes
	pointMs   = 1100 // P: pointing at a target
	buttonMs  = 200  // the press after pointing, which P does not include
	homeMs    = 400  // H: the hand from keyboard to pointer, or back
	prepareMs = 1350 // M: preparing in mind
)

// Steps is the count that a page can make smaller: presses, keystrokes and pages.
func (e Effort) Steps() int { return e.Presses + e.Keys + e.Loads }

// Person is the time of the model for what was done. One M stands before every
// press, field and command key, more than the model's own rules would place: each is a
// decision here. The model is of practised people without errors at a desk;
// gloves, cold and the dark are not in it, nor is the work on the horse.
func (e Effort) Person() time.Duration {
	ms := e.Presses*(prepareMs+pointMs+buttonMs) + (e.Fields+e.Hotkeys)*prepareMs +
		(e.Keys-e.Codes)*keyMs + e.Codes*codeMs + e.Homes*homeMs
	return time.Duration(ms) * time.Millisecond
}

func (e *Effort) move(h *hand, to hand) {
	if *h != to && *h != nowhere {
		e.Homes++
	}
	*h = to
}

func (e *Effort) point(h *hand) {
	e.move(h, mouse)
	e.Presses++
}

// key is one key that is a command of its own.
func (e *Effort) key(h *hand) {
	e.move(h, keys)
	e.Keys++
	e.Hotkeys++
}

func (e *Effort) typed(h *hand, text string, code bool) {
	e.move(h, keys)
	n := utf8.RuneCountInString(text)
	e.Keys += n
	if code {
		e.Codes += n
	}
	e.Fields++
}

func (e *Effort) load(took time.Duration) {
	e.Loads++
	e.Machine += took
}
