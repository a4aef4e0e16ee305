package ledger

import (
	"slices"

	"thawtrail/internal/event"
)

// Entities stay small: a bag has tens of records and a case a few hundred. One
// about which somebody writes without end must not stop the fold of all others,
// so its state is bounded. First its lists are cut; where that is not enough, it
// is folded from its first records and its last ones alone. Then it says so, by
// the discrepancy too_much. Every record is kept, and can be read one by one.

// MaxStateBytes bounds the encoded state of one entity; a store can write it in
// one update, with what belongs to it.
const MaxStateBytes = 384 << 10

// With no more records and bytes than these a state is far below its bound.
const (
	smallRecords = 64
	smallBytes   = 64 << 10
)

// What is kept of each list.
const (
	cutTimeline     = 256 // of each end
	cutNotes        = 64  // the newest
	cutNoteBytes    = 64 << 10
	cutEvidence     = 64
	cutExplanations = 16
)

// mostRecords bounds the records of those kinds whose fold holds them against each
// other, pair by pair.
var mostRecords = map[string]int{event.KindBag: 512, event.KindCase: 512, event.KindDam: 512}

// bounded folds an entity, and keeps its state within MaxStateBytes.
func bounded(key event.Key, fold func(*set) State, inputs []Input) State {
	n := len(inputs)
	if most, ok := mostRecords[key.Kind]; ok && n > most {
		n = most
	} else if state := fold(newSet(key, inputs)); small(inputs) || fits(state) {
		return state
	}
	for ; ; n /= 2 {
		s := newSet(key, ends(inputs, n))
		s.tooMuch = true
		state := fold(s)
		state.(interface{ cut() }).cut()
		// Rights are never folded from a part of their records.
		if fits(state) || n < 2 || key == event.RightsKey {
			return state
		}
	}
}

func small(inputs []Input) bool {
	bytes := 0
	for _, in := range inputs {
		bytes += len(in.Rec.Raw.Payload)
	}
	return len(inputs) <= smallRecords && bytes <= smallBytes
}

func fits(s State) bool {
	b, err := Encode(s)
	return err == nil && len(b) <= MaxStateBytes
}

// ends keeps about n: the first half of them and the last.
func ends[T any](list []T, n int) []T {
	if n >= len(list) {
		return list
	}
	return slices.Concat(list[:n/2], list[len(list)-(n+1)/2:])
}

// cut shortens what every state holds.
func (c *Common) cut() {
	c.Timeline = ends(c.Timeline, 2*cutTimeline)
	c.Links = c.Links[:min(len(c.Links), cutEvidence)]
	c.Notes = newestNotes(c.Notes)
	c.Overrides = ends(c.Overrides, 2*cutEvidence)
	for i := range c.Found {
		d := &c.Found[i]
		d.Evidence = d.Evidence[:min(len(d.Evidence), cutEvidence)]
		d.Records = d.Records[:min(len(d.Records), cutEvidence)]
		d.Explanations = ends(d.Explanations, cutExplanations)
		for j := range d.Explanations {
			e := &d.Explanations[j]
			e.Covers = e.Covers[:min(len(e.Covers), cutEvidence)]
		}
	}
}

func newestNotes(notes []Note) []Note {
	bytes := 0
	for i := len(notes) - 1; i >= 0; i-- {
		if notes[i].Text != nil {
			bytes += len(notes[i].Text.Ciphertext)
		}
		if bytes > cutNoteBytes || len(notes)-i > cutNotes {
			return notes[i+1:]
		}
	}
	return notes
}

// newestFixes bounds the corrections of one record that are held against each
// other: each pair of them is looked at.
func newestFixes(fixes []fix) []fix { return fixes[max(0, len(fixes)-smallRecords):] }
