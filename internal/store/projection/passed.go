package projection

import (
	"bytes"
	"slices"

	"thawtrail/internal/store/journal"
)

// passed is a stretch of damage that was passed over while the journal was applied:
// where it began and, when it was not a single record, where it ended. Should any of
// it be readable one day, by another cable or an older copy, the index lacks what
// lies there.
type passed []byte

func passedOver(from, to journal.Position) passed {
	if to.Compare(from) <= 0 {
		return from.Encode()
	}
	return append(from.Encode(), to.Encode()...)
}

// stretch is from where to where it reaches; ok is false for what is none.
func (p passed) stretch() (from, to journal.Position, ok bool) {
	from, err := journal.DecodePosition(p[:min(len(p), positionBytes)])
	if err != nil || len(p) == positionBytes {
		return from, from, err == nil
	}
	to, err = journal.DecodePosition(p[positionBytes:])
	return from, to, err == nil
}

// maxPassed is how many stretches a cursor remembers.
const maxPassed = 256

// end is the first position behind it.
func (p passed) end() journal.Position {
	from, to, _ := p.stretch()
	if to == from {
		to.Offset++
	}
	return to
}

// within says that all of it lies in another.
func (p passed) within(o passed) bool {
	from, _, _ := p.stretch()
	start, _, _ := o.stretch()
	return start.Compare(from) <= 0 && p.end().Compare(o.end()) <= 0
}

// withPassed adds stretches to others, none of which is changed. None is ever left out:
// Where they are too many, the two that lie nearest to each other become one. What lies
// between these was applied, and is applied once more with them, which changes nothing. A start
// makes the index anew for them, since something in between can be read.
func withPassed(all []passed, more ...passed) []passed {
	out := slices.Clone(all)
	for _, st := range more {
		if slices.ContainsFunc(out, st.within) {
			continue
		}
		out = append(out, st)
		slices.SortFunc(out, func(a, b passed) int { return bytes.Compare(a, b) })
		if len(out) > maxPassed {
			out = joinNearest(out)
		}
	}
	return out
}

// joinNearest makes one of the two stretches between which least lies.
func joinNearest(all []passed) []passed {
	ranges := make([]journal.Range, len(all))
	for i, p := range all {
		ranges[i].From, _, _ = p.stretch()
		ranges[i].To = p.end()
	}
	ranges = journal.JoinNearest(ranges, len(all)-1)
	out := make([]passed, len(ranges))
	for i, r := range ranges {
		if out[i] = passedOver(r.From, r.To); r.To == passed(r.From.Encode()).end() {
			out[i] = passedOver(r.From, r.From) // a single record, as it was
		}
	}
	return out
}
