package ledger

import (
	"cmp"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	pb "thawtrail/proto/thawtrail/v1"
)

// Marks say what is special about a record in an entity's story.
type Marks uint16

// Marks of a record.
const (
	MarkNotEntitled Marks = 1 << iota // its author lacked the right
	MarkForked                        // its log has two records at its seq
	MarkCorrected                     // a correction stands in its place
	MarkVoided                        // a correction says it never happened
	MarkElsewhere                     // corrected: it concerns other entities
	MarkLate                          // entered more than 15 minutes afterwards
	MarkUnread                        // unreadable, or of a newer version
	MarkNoProof                       // asked for its author's PIN and got none
	MarkUnsigned                      // saved without a name, and nobody has signed it yet
)

// lateAfterMs is how long after the fact an entry counts as entered afterwards.
const lateAfterMs = 15 * 60 * 1000

// Has says that all of the given marks are set.
func (m Marks) Has(o Marks) bool { return m&o == o }

// Stands says that the record tells something of the entity: nobody said that it never
// happened, or that it concerns something else. A correction tells nothing by itself.
func (e *Entry) Stands() bool {
	return e.Type != event.TypeCorrected && e.Marks&(MarkVoided|MarkElsewhere) == 0
}

// Entry is one record in the story of an entity.
type Entry struct {
	_         struct{}     `cbor:",toarray"`
	AtMs      int64        // when it happened, as told or corrected
	WallMs    int64        // wall clock of the device that wrote it
	Zone      string       // zone it was told in
	Precision pb.Precision // how well the time is known
	Type      event.Type   // what it says now, after correction
	Record    event.Hash   // the original
	By        event.Hash   // the correction that stands; zero when none
	Log       event.LogID
	Author    string // person
	Marks     Marks
}

// Stamp stands on everything that a record put into state.
type Stamp struct {
	_      struct{} `cbor:",toarray"`
	Record event.Hash
	AtMs   int64 // as told, by the clock of the device that wrote it
	OffMs  int64 // how far that clock was behind the clinic's, as measured; 0 within the limit
	Author string
	Marks  Marks
}

// ClinicMs is when it happened by the clinic's time.
func (s *Stamp) ClinicMs() int64 { return s.AtMs + s.OffMs }

// Sealed is a field that only the holders of its key can read.
type Sealed struct {
	_          struct{} `cbor:",toarray"`
	KeyID      []byte
	Nonce      []byte
	Ciphertext []byte
}

func sealedOf(p *pb.Sealed) *Sealed {
	if p == nil {
		return nil
	}
	return &Sealed{KeyID: p.KeyId, Nonce: p.Nonce, Ciphertext: p.Ciphertext}
}

// SealedFor are words sealed under the key of the client about whom they are.
type SealedFor struct {
	_      struct{} `cbor:",toarray"`
	Client string
	Field  string // of the record
	Words  Sealed
}

// sealedFor are the sealed words of the first twin of a message; nil for none. No
// message has a second.
func sealedFor(m proto.Message) *SealedFor {
	for _, t := range event.Twins(m) {
		if s := t.Closed(m); s != nil {
			return &SealedFor{Client: t.Owner(m).ID, Field: string(t.Sealed.Name()), Words: *sealedOf(s)}
		}
	}
	return nil
}

// Note is free text, sealed.
type Note struct {
	_     struct{} `cbor:",toarray"`
	Stamp Stamp
	Text  *Sealed
}

// Link says whether this entity and another are one; the last word per pair.
type Link struct {
	_      struct{} `cbor:",toarray"`
	Stamp  Stamp
	Other  string // id of the other entity of the same kind
	Linked bool   // false: they were said not to be one
	Reason string
}

// Common is what every state holds.
type Common struct {
	_          struct{} `cbor:",toarray"`
	Entity     event.Key
	Timeline   []Entry // happened order
	Found      []Discrepancy
	Notes      []Note
	Links      []Link
	NeedsNewer bool // a record here can only be read by a newer version
	// Overrides counts the cautions that were gone past in records of which this
	// entity is the primary one, by month and code.
	Overrides []OverrideCount
	// CorrectedMs is when an entry of which this entity is the primary one was last
	// corrected, by the clock of who did; 0 for never.
	CorrectedMs int64
}

// OverrideCount is how often a caution was gone past in a month.
type OverrideCount struct {
	_     struct{} `cbor:",toarray"`
	Month string   // YYYY-MM where it was told
	Code  string
	N     int
}

// Key names the entity.
func (c *Common) Key() event.Key { return c.Entity }

// told says that something about the entity stands: what was voided as a whole is in
// no list, file or count, and keeps its story alone.
func (c *Common) told() bool {
	return slices.ContainsFunc(c.Timeline, func(e Entry) bool { return e.Stands() })
}

// Told says that something about an entity stands. What was voided as a whole keeps its
// story and is in no list.
func Told(s State) bool { return s.told() }

// Story is every record of the entity, in happened order.
func (c *Common) Story() []Entry { return c.Timeline }

// Discrepancies lists where the records do not fit together, by kind.
func (c *Common) Discrepancies() []Discrepancy { return c.Found }

func (c *Common) correctedMs() int64 { return c.CorrectedMs }

func (c *Common) overridden() []OverrideCount { return c.Overrides }

// Canonical is the smallest id among this entity and those linked to it.
func (c *Common) Canonical() string {
	id := c.Entity.ID
	for _, l := range c.Links {
		if l.Linked {
			id = min(id, l.Other)
		}
	}
	return id
}

// common builds what every state holds. It comes last in a fold: what the fold
// claimed meanwhile becomes discrepancies here.
func (s *set) common() Common {
	c := Common{Entity: s.key, Timeline: s.timeline, NeedsNewer: s.newer}
	for _, f := range s.story {
		if p, ok := f.body.(*pb.NoteAdded); ok && (event.Key{Kind: p.EntityKind, ID: p.Entity}) == s.key {
			c.Notes = append(c.Notes, Note{Stamp: f.stamp(), Text: sealedOf(p.Text)})
		}
	}
	c.Links = s.links()
	c.CorrectedMs = s.correctedMs()
	c.Overrides = s.overrides()
	if s.tooMuch {
		s.claim(claim{kind: TooMuch})
	}
	c.Found = s.discrepancies()
	return c
}

// correctedMs is when the last correction was written that is about this entity first.
func (s *set) correctedMs() (ms int64) {
	for i := range s.inputs {
		if r := s.inputs[i].Rec; r.Head.Type == event.TypeCorrected && r.Primary() == s.key {
			ms = max(ms, r.Head.WallUs/1000)
		}
	}
	return ms
}

// overrides counts the cautions that the records' authors went past. What was
// corrected since was gone past all the same.
func (s *set) overrides() []OverrideCount {
	var out []OverrideCount
	for i := range s.inputs {
		rec := s.inputs[i].Rec
		if len(rec.Head.Overrides) == 0 || rec.Primary() != s.key {
			continue
		}
		told := time.UnixMilli(rec.OccurredMs()).UTC().Add(time.Duration(rec.Head.OccurredAt.GetUtcOffsetMin()) * time.Minute)
		for _, o := range rec.Head.Overrides {
			out = append(out, OverrideCount{Month: told.Format("2006-01"), Code: o.GetCode(), N: 1})
		}
	}
	slices.SortFunc(out, func(a, b OverrideCount) int {
		return cmp.Or(cmp.Compare(a.Month, b.Month), cmp.Compare(a.Code, b.Code))
	})
	n := 0
	for _, o := range out {
		if n > 0 && out[n-1].Month == o.Month && out[n-1].Code == o.Code {
			out[n-1].N++
			continue
		}
		out[n] = o
		n++
	}
	return out[:n]
}

// links keeps, for each other entity, the last word in written order.
func (s *set) links() []Link {
	var out []Link
	for _, f := range s.facts {
		p, ok := f.body.(*pb.Linked)
		if !ok || p.Kind != s.key.Kind || (p.First != s.key.ID && p.Second != s.key.ID) {
			continue
		}
		l := Link{Stamp: f.stamp(), Other: p.First, Linked: f.typ == typeLinked, Reason: p.Reason}
		if p.First == s.key.ID {
			l.Other = p.Second
		}
		out = slices.DeleteFunc(out, func(o Link) bool { return o.Other == l.Other })
		out = append(out, l)
	}
	slices.SortFunc(out, func(a, b Link) int { return cmp.Compare(a.Other, b.Other) })
	return out
}
