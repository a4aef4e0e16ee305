package site

import (
	"slices"
	"strings"
)

// What of the first hour no record tells is kept on this machine, in the index: after that
// is built anew, a person says it once more.
const firstHourName = "first_hour"

// Steps of the first hour that people tick, or that end the list.
const (
	StickersDone  = "stickers"
	RehearsalDone = "rehearsal"
	FirstHourShut = "folded"
)

// FirstHour are the steps of the first hour that were ticked by hand.
func (s *Site) FirstHour() ([]string, error) {
	kept, err := s.Replica.Store.Local(firstHourName)
	return strings.Fields(string(kept)), err
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
	return s.Replica.Store.SetLocal(firstHourName, []byte(strings.Join(ticked, " ")))
}
