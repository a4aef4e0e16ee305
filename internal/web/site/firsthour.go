package site

import (
	"slices"
	"strings"
)

// firstHourName is under what this machine remembers what of the first hour no record
// tells.
const firstHourName = "first_hour"

// Steps of the first hour that people tick, or that end the list.
const (
	StickersDone  = "stickers"
	RehearsalDone = "rehearsal"
	FirstHourShut = "folded"
)

// FirstHour are the steps of the first hour that were ticked by hand.
func (s *Site) FirstHour() ([]string, error) {
	if kept := s.Replica.Kept.Get(firstHourName); kept != "" {
		return strings.Fields(kept), nil
	}
	// An older program noted them in the index.
	old, err := s.Replica.Store.Local(firstHourName)
	return strings.Fields(string(old)), err
}

// TickFirstHour ticks a step, or takes its tick away.
func (s *Site) TickFirstHour(step string) error {
	ticked, err := s.FirstHour()
	if err != nil {
		return err
	}
	if i := slices.Index(ticked, step); i >= 0 {
		ticked = slices.Delete(ticked, i, i+1)
	} else {
		ticked = append(ticked, step)
	}
	return s.Replica.Kept.Set(firstHourName, strings.Join(ticked, " "))
}
