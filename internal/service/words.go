package service

import (
	"fmt"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	pb "thawtrail/proto/thawtrail/v1"
)

// enumWord is an enum value as people read it; empty for the zero value.
func enumWord(e protoreflect.Enum) string {
	v := e.Descriptor().Values().ByNumber(e.Number())
	if v == nil || v.Number() == 0 {
		return ""
	}
	return event.EnumWord(v)
}

// patientLine says who the patient is: it stands wherever a case is shown.
func (b *book) patientLine(id string) string {
	c, ok, err := b.getCase(id)
	if err != nil || !ok || c.Patient == nil {
		return "case " + id
	}
	return patientText(c.Patient)
}

func patientText(p *ledger.Patient) string {
	who := enumWord(p.Kind)
	switch {
	case p.Name != "":
		who = p.Name
	case p.DamName != "":
		who = "foal of " + p.DamName
	case p.DamKey != "":
		who = "foal of " + p.DamKey
	}
	if p.Twin != "" {
		who += ", twin " + p.Twin
	}
	if m := marksText(p); m != "" {
		who += " (" + m + ")"
	}
	return who
}

// marksText is what a newborn is known by.
func marksText(p *ledger.Patient) string {
	parts := []string{enumWord(p.Sex), p.Colour, p.Markings}
	if p.Box != "" {
		parts = append(parts, "box "+p.Box)
	}
	if p.NeckBand != "" {
		parts = append(parts, "neck band "+p.NeckBand)
	}
	var out []string
	for _, s := range parts {
		if s != "" {
			out = append(out, s)
		}
	}
	return strings.Join(out, ", ")
}

// iggText is a test's value, band or side of a cut, in the practice's unit.
func (b *book) iggText(t *ledger.IggTest) string {
	switch {
	case t.IggCgPerL != nil:
		return b.igg(*t.IggCgPerL)
	case t.BandLowCgPerL != nil && t.BandHighCgPerL != nil:
		return b.igg(*t.BandLowCgPerL) + " to " + b.igg(*t.BandHighCgPerL)
	case t.CutCgPerL != nil && t.Side != pb.CutSide_CUT_SIDE_UNSPECIFIED:
		return enumWord(t.Side) + " the cut of " + b.igg(*t.CutCgPerL)
	case t.NeverSucked:
		return "not tested: never sucked"
	}
	return ""
}

// igg shows 0.01 g/L in the practice's unit; 1 g/L is 100 mg/dL.
func (b *book) igg(cg int32) string {
	if b.practice != nil && b.practice.IggUnit == pb.IggUnit_IGG_UNIT_MG_PER_DL {
		return fmt.Sprintf("%d mg/dL", cg)
	}
	return fmt.Sprintf("%d.%02d g/L", cg/100, cg%100)
}

// NoProof is what stands beside an act that asked for a PIN and got none.
const NoProof = "no proof"

// markWords says what is special about a record in a story.
func markWords(m ledger.Marks) []string {
	var out []string
	for _, w := range []struct {
		mark ledger.Marks
		word string
	}{
		{ledger.MarkLate, "entered afterwards"}, {ledger.MarkNotEntitled, "not entitled"},
		{ledger.MarkForked, "forked log"}, {ledger.MarkCorrected, "corrected"},
		{ledger.MarkVoided, "never happened"}, {ledger.MarkElsewhere, "moved elsewhere"},
		{ledger.MarkUnread, "cannot be read here"}, {ledger.MarkNoProof, NoProof},
		{ledger.MarkUnsigned, "nobody has signed this yet"},
	} {
		if m.Has(w.mark) {
			out = append(out, w.word)
		}
	}
	return out
}

// typeWords is an event type in plain words.
func typeWords(t event.Type) string {
	if s, ok := event.Lookup(t); ok {
		return strings.ReplaceAll(strings.ReplaceAll(s.Name, "_", " "), "igg", "IgG")
	}
	return fmt.Sprintf("something of a newer version (type %d)", t)
}
