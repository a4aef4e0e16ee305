package ledger

import (
	"slices"
	"strings"

	"thawtrail/internal/event"
	pb "thawtrail/proto/thawtrail/v1"
)

// sameFoalMs bounds how long a case counts as open when nobody closes it: the
// next foal of a mare is born eleven months later, a second case of the same
// foal comes within weeks. Ours.
const sameFoalMs = 30 * 24 * 60 * 60 * 1000

// Dam is a mare under one of her marks (chip, UELN or name), and the cases of
// her foals.
//
// Closings and links of cases count here when their headers name the dam too.
type Dam struct {
	_ struct{} `cbor:",toarray"`
	Common
	Cases []DamCase // happened order
}

// DamCase is a case opened on a foal of the dam.
type DamCase struct {
	_        struct{} `cbor:",toarray"`
	Stamp    Stamp
	Case     string
	Kind     pb.PatientKind
	Twin     string // A or B in capitals, for twins
	Box      string
	Sex      pb.Sex
	BornMs   int64 // 0 when not told
	Log      event.LogID
	ClosedMs int64 // 0 while open, as far as the dam's records tell
}

// openUntil is when the case counts as closed.
func (c *DamCase) openUntil() int64 {
	if c.ClosedMs != 0 {
		return c.ClosedMs
	}
	return c.Stamp.AtMs + sameFoalMs
}

func foldDam(s *set) State {
	d := &Dam{}
	for _, f := range s.story {
		switch p := f.body.(type) {
		case *pb.CaseOpened:
			d.Cases = append(d.Cases, DamCase{
				Stamp: f.stamp(), Case: p.Case, Kind: p.Kind, Twin: strings.ToUpper(p.Twin), Box: p.Box,
				Sex: p.Sex, BornMs: p.BornAt.GetUnixMs(), Log: f.rec.Log,
			})
		case *pb.CaseClosed:
			for i := range d.Cases {
				if d.Cases[i].Case == p.Case {
					d.Cases[i].ClosedMs = f.atMs
				}
			}
		}
	}
	d.compare(s)
	d.Common = s.common()
	return d
}

// compare claims pairs of cases that were open at one time for what may be the
// same foal, unless somebody has said whether they are one.
func (d *Dam) compare(s *set) {
	facts := map[event.Hash]*fact{}
	for _, f := range s.facts {
		facts[f.id] = f
	}
	for i := range d.Cases {
		for j := range d.Cases[:i] {
			a, b := &d.Cases[j], &d.Cases[i]
			if a.sameFoal(b) && !s.settled(a.Case, b.Case) {
				s.differ(SameFoalOpenedTwice, "", b.Stamp.AtMs, facts[a.Stamp.Record], facts[b.Stamp.Record])
			}
		}
	}
}

func (c *DamCase) sameFoal(later *DamCase) bool {
	adult := pb.PatientKind_PATIENT_KIND_HORSE
	return c.Case != later.Case && c.Twin == later.Twin && c.Kind != adult && later.Kind != adult &&
		later.Stamp.AtMs < c.openUntil()
}

// settled says that the two cases were linked, or said to be two foals.
func (s *set) settled(a, b string) bool {
	return slices.ContainsFunc(s.facts, func(f *fact) bool {
		p, ok := f.body.(*pb.Linked)
		return ok && p.Kind == event.KindCase && (p.First == a && p.Second == b || p.First == b && p.Second == a)
	})
}
