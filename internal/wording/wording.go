package wording

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/caution"
	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/say"
	pb "thawtrail/proto/thawtrail/v1"
)

// Code is an enum value as people type it and answers carry it; empty for the zero
// value.
func Code(e protoreflect.Enum) string {
	v := e.Descriptor().Values().ByNumber(e.Number())
	if v == nil || v.Number() == 0 {
		return ""
	}
	return event.EnumWord(v)
}

// Enum is an enum value as people read it; empty for the zero value.
func Enum(e protoreflect.Enum) string {
	return Choice(string(e.Descriptor().Name()), Code(e))
}

// Choice is the code of a choice as people read it; one of a newer version stands as
// it is.
func Choice(enum, code string) string {
	if key := "choice." + enum + "." + code; say.Has(key) {
		return say.Text(key)
	}
	return strings.ReplaceAll(code, "_", " ")
}

// Patient says who the patient is: the foal's dam, its letter and its marks.
func Patient(p *ledger.Patient) string {
	who := Enum(p.Kind)
	switch {
	case p.Name != "":
		who = p.Name
	case p.DamName != "":
		who = say.Text("named.foal", p.DamName)
	case p.DamKey != "":
		who = say.Text("named.foal", p.DamKey)
	}
	if p.Twin != "" {
		who = say.Text("named.twin", who, p.Twin)
	}
	if m := PatientMarks(p); m != "" {
		who = say.Text("named.marked", who, m)
	}
	return who
}

// boxWords is where a newborn stands: a bare number or letter is a box, and what has
// a word of its own, such as 'box 4' or 'paddock 2', is told as it was typed.
func boxWords(typed string) string {
	first, _, _ := strings.Cut(typed, " ")
	if len(first) >= 3 && strings.IndexFunc(first, unicode.IsDigit) < 0 {
		return typed
	}
	return say.Text("named.box", typed)
}

// PatientMarks is what a newborn is known by.
func PatientMarks(p *ledger.Patient) string {
	parts := []string{Enum(p.Sex), p.Colour, p.Markings}
	if p.Box != "" {
		parts = append(parts, boxWords(p.Box))
	}
	if p.NeckBand != "" {
		parts = append(parts, say.Text("named.band", p.NeckBand))
	}
	var out []string
	for _, s := range parts {
		if s != "" {
			out = append(out, s)
		}
	}
	return strings.Join(out, ", ")
}

// RecordMarks says what is special about a record in a story. Whoever did not sign yet
// cannot have been entitled: then one word says it.
func RecordMarks(m ledger.Marks) []string {
	if m.Has(ledger.MarkUnsigned) {
		m &^= ledger.MarkNotEntitled
	}
	var out []string
	for _, w := range []struct {
		mark ledger.Marks
		word string
	}{
		{ledger.MarkLate, "entered afterwards"}, {ledger.MarkNotEntitled, "not entitled"},
		{ledger.MarkForked, "forked log"}, {ledger.MarkCorrected, corrected},
		{ledger.MarkVoided, voided}, {ledger.MarkElsewhere, "moved elsewhere"},
		{ledger.MarkUnread, "cannot be read here"}, {ledger.MarkNoProof, NoProof},
		{ledger.MarkUnsigned, "nobody has signed this yet"},
	} {
		if m.Has(w.mark) {
			out = append(out, w.word)
		}
	}
	return out
}

// Marks that a line which tells its own correction need not repeat.
const (
	corrected = "corrected"
	voided    = "never happened"
)

// OtherMarks are the marks of a record beside those that say it was corrected.
func OtherMarks(marks []string) []string {
	return slices.DeleteFunc(slices.Clone(marks), func(m string) bool { return m == corrected || m == voided })
}

// SharedMarks are the marks that all lines of a list have, when it has several: they are
// said once for the list.
func SharedMarks(lines [][]string) (shared []string) {
	if len(lines) < 2 {
		return nil
	}
	for _, mark := range lines[0] {
		if !slices.ContainsFunc(lines, func(marks []string) bool { return !slices.Contains(marks, mark) }) {
			shared = append(shared, mark)
		}
	}
	return shared
}

// EventType is an event type in plain words.
func EventType(t event.Type) string {
	if s, ok := event.Lookup(t); ok {
		return strings.ReplaceAll(strings.ReplaceAll(s.Name, "_", " "), "igg", "IgG")
	}
	return fmt.Sprintf("something of a newer version (type %d)", t)
}

// Ago words a duration for people.
func Ago(d time.Duration) string {
	switch {
	case d < time.Minute:
		return "less than a minute"
	case d < 2*time.Hour:
		return Plural(int(d.Minutes()), "minute")
	case d < 48*time.Hour:
		return Plural(int(d.Hours()), "hour")
	}
	return Plural(int(d.Hours()/24), "day")
}

// Plural is a number and its noun: 1 hour, 3 hours.
func Plural(n int, word string) string {
	if n == 1 {
		return "1 " + word
	}
	return fmt.Sprintf("%d %ss", n, word)
}

// Money shows hundredths of a currency as whole units, exactly.
func Money(minor int64) string {
	sign, n := "", uint64(minor)
	if minor < 0 {
		sign, n = "-", -n
	}
	return fmt.Sprintf("%s%d.%02d", sign, n/100, n%100)
}

// Tenths writes a number that counts tenths.
func Tenths(v int32) string { return strconv.FormatFloat(float64(v)/10, 'f', 1, 64) }

// Cautions are raised cautions as answers carry them, the gravest first.
func Cautions(raised []caution.Raised) []*pb.Caution {
	out := make([]*pb.Caution, 0, len(raised))
	for _, r := range caution.Gravest(raised) {
		out = append(out, &pb.Caution{Code: r.Code, Level: r.Level.String(), Text: r.Text})
	}
	return out
}

// TakenBack stands for the reason of a correction by which an author took an entry back
// at once.
const TakenBack = "taken back within a minute"

// Unread is what stands in place of what a record says while the disk cannot read it.
const Unread = "what it says cannot be read on this machine just now"

// NoProof is what stands beside an act that asked for a PIN and got none.
const NoProof = "no proof"

// Joined puts the texts that say something behind one another.
func Joined(between string, texts ...string) string {
	return strings.Join(slices.DeleteFunc(slices.Clone(texts), func(t string) bool { return t == "" }), between)
}
