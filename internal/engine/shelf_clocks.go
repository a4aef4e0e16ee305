package engine

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"thawtrail/internal/refusal"
)

// labelClock starts the clock that the label prints.
func (s *shelf) labelClock() error {
	if strings.TrimSpace(s.in.Expiry) == "" {
		s.r.caution(expiryUnknown.With())
		return nil
	}
	day, asGs1, err := ReadExpiry(s.in.Expiry, s.in.At.In(s.zone))
	if err != nil {
		return err
	}
	last := day.Last().String()
	if asGs1 {
		s.r.caution(expiryGs1.With(refusal.Shorten(s.in.Expiry), last))
		s.r.source(srcGs1Date)
	}
	s.r.source(srcLabelDay)
	s.r.step("label '%s' is good to the end of %s in %s", refusal.Shorten(s.in.Expiry), last, s.zone.String())
	s.start(day.LastInstant(s.zone).Add(-time.Second), "the label's expiry is "+last)
	return nil
}

// warmTimes quarantines a bag whose freezer was warm, and softens one that did
// not stay solid.
func (s *shelf) warmTimes() error {
	if len(s.in.Warm) == 0 {
		return nil
	}
	class, err := SourcePlasmaClass(s.in.Warm)
	if err != nil {
		return err
	}
	s.r.SourcePlasmaClass = class
	s.in.QuarantineBecause = slices.Clone(s.in.QuarantineBecause)
	for _, w := range s.in.Warm {
		if w.PeakC <= excursionColdC && w.StayedSolid {
			continue
		}
		s.in.Softened = s.in.Softened || !w.StayedSolid
		s.in.QuarantineBecause = append(s.in.QuarantineBecause, fmt.Sprintf("its place was warm for %s h, %s C at most", num(w.Hours), num(w.PeakC)))
	}
	s.r.say("the rule for human source plasma would call it " + string(class) + ". " + ExcursionNotice)
	return nil
}

func (s *shelf) start(until time.Time, why string) {
	s.clocks = append(s.clocks, shelfClock{until.Truncate(time.Second), why})
}

// startAfter starts a clock of elapsed hours: instants, not the clock on the wall.
func (s *shelf) startAfter(from time.Time, hours float64, why string) {
	until := from.Add(time.Duration(hours * float64(time.Hour)))
	s.r.step("%s + %s h elapsed = %s: %s", s.when(from), hours, s.when(until), why)
	s.start(until, why)
}

// thawClocks starts those of the thaw and of the set.
func (s *shelf) thawClocks() {
	from, what := s.in.ThawedAt, "complete thaw"
	if from.IsZero() {
		from, what = s.in.ThawStartedAt, "the start of the thaw"
	}
	switch {
	case !from.IsZero():
		s.thawClock(from, what)
	case s.softened():
		s.r.caution(thawTimeUnknown.With())
		s.blind = s.in.SetAttachedAt.IsZero()
	}
	if !s.in.SetAttachedAt.IsZero() {
		s.r.source(srcSetAttached)
		s.startAfter(s.in.SetAttachedAt, setAttachedHours, fmt.Sprintf("%s h after the set was attached", num(setAttachedHours)))
	}
}

func (s *shelf) thawClock(from time.Time, what string) {
	hours, kept := s.keepHours()
	s.startAfter(from, hours, fmt.Sprintf("%s h after %s, %s", num(hours), what, kept))
	if s.card == 0 {
		return
	}
	if s.card > hours {
		s.r.caution(cardLooser.With(num(s.card), num(hours)))
	}
	s.startAfter(from, s.card, fmt.Sprintf("the label card's %s h after %s", num(s.card), what))
}

// keepHours is the default by where the bag lay.
func (s *shelf) keepHours() (float64, string) {
	s.r.source(srcFridge, srcRoom)
	if s.in.KeptAtC == nil {
		s.r.caution(keptUnknown.With(num(unknownKeepHours), num(fridgeKeepHours)))
		return unknownKeepHours, "kept at a temperature that is not known"
	}
	kept := *s.in.KeptAtC
	text := fmt.Sprintf("kept at %s C", num(kept))
	switch {
	case kept >= fridgeLowC && kept <= fridgeHighC:
		return fridgeKeepHours, text
	case kept < fridgeLowC:
		s.r.caution(keptTooCold.With(num(kept), num(unknownKeepHours)))
	case kept > warmRoomC:
		s.r.caution(keptWarm.With(num(kept)))
	}
	return unknownKeepHours, text
}
