package ledger

import (
	"cmp"
	"errors"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/event"
	pb "thawtrail/proto/thawtrail/v1"
)

// set is the records of one entity while they are folded.
type set struct {
	key      event.Key
	inputs   []Input                  // distinct, written order
	facts    []*fact                  // what stands, written order
	story    []*fact                  // the same in happened order
	timeline []Entry                  // everything, happened order
	signed   map[event.Hash]signature // who put a name to entries without one
	claims   []claim
	space    []fact // where facts lie, in few pieces
	newer    bool
	tooMuch  bool // not all of it fits into a state
}

// fact is one record as it stands after corrections.
type fact struct {
	id    event.Hash    // the original, by which others refer to it
	by    event.Hash    // the correction that stands; zero when none
	rec   *event.Record // gives order, author, device; the original if it is held
	typ   event.Type
	body  proto.Message
	told  *pb.Moment
	atMs  int64
	clock *event.Record // whose device's clock told it
	marks Marks
	// author is who wrote it, or signed it later.
	author string
}

// fix is one correction that can be read.
type fix struct {
	in   *Input
	body *pb.Corrected
	to   proto.Message // nil when it voids
}

func newSet(key event.Key, inputs []Input) *set {
	n := len(inputs)
	s := &set{key: key, inputs: inputs, facts: make([]*fact, 0, n), timeline: make([]Entry, 0, n), space: make([]fact, 0, n)}
	fixes := s.fixes()
	s.signed = s.signatures(fixes)
	for i := range s.inputs {
		in := &s.inputs[i]
		s.inspect(in)
		s.place(in, fixes[in.Rec.Hash])
	}
	s.orphans(fixes)
	slices.SortStableFunc(s.facts, func(a, b *fact) int { return event.CompareWritten(a.rec, b.rec) })
	s.story = slices.Clone(s.facts)
	slices.SortStableFunc(s.story, func(a, b *fact) int { return cmp.Compare(a.atMs, b.atMs) })
	slices.SortStableFunc(s.timeline, func(a, b Entry) int { return cmp.Compare(a.AtMs, b.AtMs) })
	return s
}

// fact makes room for a fact. A fact that was made stays where it is.
func (s *set) fact(f fact) *fact {
	if len(s.space) == cap(s.space) {
		s.space = make([]fact, 0, 8)
	}
	s.space = append(s.space, f)
	return &s.space[len(s.space)-1]
}

// fixes collects the readable corrections by their original, in written order.
func (s *set) fixes() map[event.Hash][]fix {
	out := map[event.Hash][]fix{}
	for i := range s.inputs {
		body, ok := s.inputs[i].Payload.(*pb.Corrected)
		if !ok {
			continue
		}
		original, ok := event.ParseHash(body.Original)
		to, err := event.Replacement(body)
		if err == nil && ok {
			out[original] = append(out[original], fix{&s.inputs[i], body, to})
		}
	}
	return out
}

// signatures says who put a name to entries without one: the first in written
// order, so that nobody takes another's name off. A signature that was corrected
// does not count.
func (s *set) signatures(fixes map[event.Hash][]fix) map[event.Hash]signature {
	out := map[event.Hash]signature{}
	for i := range s.inputs {
		p, ok := s.inputs[i].Payload.(*pb.Signed)
		rec := s.inputs[i].Rec
		author := rec.Head.Author
		if !ok || author == "" || len(effective(rec.Head.Type, fixes[rec.Hash])) > 0 {
			continue
		}
		for _, text := range p.Records {
			h, ok := event.ParseHash(text)
			if _, taken := out[h]; ok && !taken {
				out[h] = signature{author, s.inputs[i].Entitled}
			}
		}
	}
	return out
}

// signature is a name that was put to an entry without one.
type signature struct {
	author   string
	entitled bool // it had the right to sign, and so to write what needs no role
}

// entitled says that a record was written by right: its author's, or that of whoever
// signed what was saved without a name. What may be so saved needs no role of its own.
func (s *set) entitled(in *Input) bool {
	return in.Entitled || in.Rec.Head.Author == "" && signLater(in.Rec.Head.Type) && s.signed[in.Rec.Hash].entitled
}

// inspect claims what is wrong with a record as a whole. The claim belongs to
// the record's primary entity.
func (s *set) inspect(in *Input) {
	flaw := in.flaw()
	s.newer = s.newer || flaw == FlawNewer
	if in.Rec.Primary() != s.key {
		return
	}
	switch flaw {
	case FlawNewer:
		s.claimOf(NeedsNewerVersion, in.Rec)
	case FlawUnreadable:
		s.claimOf(UnreadableRecord, in.Rec)
	}
	if !s.entitled(in) {
		s.claimOf(NotEntitled, in.Rec)
	}
}

// claimOf claims something of a record as a whole.
func (s *set) claimOf(kind string, r *event.Record) {
	s.claim(claim{kind: kind, atMs: r.OccurredMs(), records: []event.Hash{r.Hash}})
}

// Flaw says why what a record says is not known, or not all of it.
type Flaw uint8

// Flaws of what a record says.
const (
	FlawUnasked Flaw = iota
	FlawNone
	FlawNewer      // it needs a newer version
	FlawUnreadable // it cannot be read
)

// flaw is what is wrong with what the input's record says.
func (in *Input) flaw() Flaw {
	if in.Flaw != FlawUnasked {
		return in.Flaw
	}
	return FlawOf(in.Rec, in.Payload)
}

// FlawOf says whether a record needs a newer version or cannot be read. The payload is
// nil when it is unreadable or of an unknown type.
func FlawOf(r *event.Record, payload proto.Message) Flaw {
	if payload == nil {
		if _, known := event.Lookup(r.Head.Type); known {
			return FlawUnreadable
		}
		return FlawNewer
	}
	if c, ok := payload.(*pb.Corrected); ok {
		if _, err := event.Replacement(c); errors.Is(err, event.ErrNewer) {
			return FlawNewer
		} else if err != nil {
			return FlawUnreadable
		}
	}
	if hasUnknown(payload.ProtoReflect()) {
		return FlawNewer
	}
	return FlawNone
}

// hasUnknown says that a message carries fields this version does not know.
func hasUnknown(m protoreflect.Message) bool {
	if len(m.GetUnknown()) > 0 {
		return true
	}
	for _, f := range event.MessageFields(m.Descriptor()) {
		if !m.Has(f) {
			continue
		}
		if !f.IsList() && hasUnknown(m.Get(f).Message()) {
			return true
		}
		for j := 0; f.IsList() && j < m.Get(f).List().Len(); j++ {
			if hasUnknown(m.Get(f).List().Get(j).Message()) {
				return true
			}
		}
	}
	return false
}

// place puts a record, as it stands after its corrections, into the story and,
// when it counts, among the facts.
func (s *set) place(in *Input, fixes []fix) {
	f := s.fact(fact{
		id: in.Rec.Hash, rec: in.Rec, typ: in.Rec.Head.Type, body: in.Payload,
		told: in.Rec.Head.OccurredAt, atMs: in.Rec.OccurredMs(), clock: in.Rec, marks: s.marksOf(in), author: s.author(in.Rec),
	})
	fixes = effective(in.Rec.Head.Type, fixes)
	if len(fixes) > 0 {
		f.correct(fixes[len(fixes)-1], s.key)
		s.apart(in.Rec, fixes)
	}
	if f.author == "" && signLater(in.Rec.Head.Type) && !f.marks.Has(MarkVoided) {
		f.marks |= MarkUnsigned
	}
	s.keep(f, in.Entitled)
}

// effective drops the corrections that their authors could not make: of what
// cannot be corrected, and of decisions by people who may not decide.
func effective(original event.Type, fixes []fix) []fix {
	return slices.DeleteFunc(slices.Clone(fixes), func(x fix) bool {
		return !event.Correctable(original) ||
			decision(original) && (x.body.Type != original || !x.in.Entitled) ||
			decision(x.body.Type) && !x.in.Entitled
	})
}

// correct puts a correction's words in place of the fact's own.
func (f *fact) correct(x fix, key event.Key) {
	f.by = x.in.Rec.Hash
	f.marks |= MarkCorrected
	if m := x.body.OccurredAt; m.GetUnixMs() != 0 && m.GetUnixMs() != f.atMs { // else it is the original's, by its clock
		f.told, f.atMs, f.clock = m, m.UnixMs, x.in.Rec
	}
	if x.body.Void {
		f.marks |= MarkVoided
		return
	}
	f.typ, f.body = x.body.Type, x.to
	f.marks &^= MarkUnread
	if !slices.Contains(event.KeysOf(f.typ, f.body, time.UnixMilli(f.atMs)), key) {
		f.marks |= MarkElsewhere
	}
	if !x.in.Entitled {
		f.marks |= MarkNotEntitled
	}
}

// keep enters the fact into the story, and among the facts when it counts.
func (s *set) keep(f *fact, entitled bool) {
	if f.rec.Head.WallUs/1000-f.atMs > lateAfterMs {
		f.marks |= MarkLate
	}
	s.timeline = append(s.timeline, f.entry())
	standing := f.body != nil && f.marks&(MarkVoided|MarkElsewhere|MarkUnread) == 0
	if f.by.IsZero() && decision(f.typ) && !entitled {
		standing = false
	}
	if standing {
		s.facts = append(s.facts, f)
	}
}

// orphans enters the replacements whose originals do not touch this entity.
func (s *set) orphans(fixes map[event.Hash][]fix) {
	if len(fixes) == 0 {
		return
	}
	held := make(map[event.Hash]bool, len(s.inputs))
	for i := range s.inputs {
		held[s.inputs[i].Rec.Hash] = true
	}
	for i := range s.inputs {
		c, ok := s.inputs[i].Payload.(*pb.Corrected)
		if !ok {
			continue
		}
		original, ok := event.ParseHash(c.Original)
		list := effective(c.Type, fixes[original])
		if !ok || held[original] || len(list) == 0 || list[len(list)-1].in != &s.inputs[i] || c.Void {
			continue
		}
		in := &s.inputs[i]
		f := s.fact(fact{id: original, rec: in.Rec, told: in.Rec.Head.OccurredAt, atMs: in.Rec.OccurredMs(), clock: in.Rec, marks: s.marksOf(in), author: s.author(in.Rec)})
		f.correct(list[len(list)-1], s.key)
		if !f.marks.Has(MarkElsewhere) {
			s.keep(f, in.Entitled)
		}
	}
}

// apart claims corrections of one original that had not seen each other, unless
// the one that stands had seen both.
func (s *set) apart(original *event.Record, fixes []fix) {
	if original.Primary() != s.key {
		return
	}
	last := fixes[len(fixes)-1]
	fixes = newestFixes(fixes)
	for i, a := range fixes {
		for _, b := range fixes[i+1:] {
			if b.knew(a) || a.knew(b) || last.knew(a) && last.knew(b) {
				continue
			}
			s.claim(claim{
				kind: CorrectedApart, atMs: original.OccurredMs(),
				records: []event.Hash{original.Hash, a.in.Rec.Hash, b.in.Rec.Hash},
			})
		}
	}
}

// knew says that the correction's author held the other one.
func (x fix) knew(o fix) bool {
	return slices.ContainsFunc(x.body.Known, func(b []byte) bool {
		h, ok := event.ToHash(b)
		return ok && h == o.in.Rec.Hash
	})
}

func (s *set) marksOf(in *Input) Marks {
	var m Marks
	if !s.entitled(in) {
		m |= MarkNotEntitled
	}
	if in.Forked {
		m |= MarkForked
	}
	if in.Payload == nil {
		m |= MarkUnread
	}
	if asksPIN(in) && in.Rec.Head.AuthorProof.GetKind() != pb.ProofKind_PROOF_KIND_PIN {
		m |= MarkNoProof
	}
	return m
}

// asksPIN says that a record's author was asked for a PIN.
func asksPIN(in *Input) bool {
	if c, ok := in.Payload.(*pb.Corrected); ok && TakenBack(c) {
		return false
	}
	spec, ok := event.Lookup(in.Rec.Head.Type)
	return len(in.Rec.Head.Overrides) > 0 || ok && spec.Rule.GetAsksPin()
}

// TakenBack says that a correction is an author's own, made so soon after the entry that
// neither a reason nor a PIN was asked for.
func TakenBack(c *pb.Corrected) bool { return c.Void && c.Reason == "" }

// signLater says that an entry may be saved without a name.
func signLater(t event.Type) bool {
	spec, ok := event.Lookup(t)
	return ok && spec.Rule.GetSignLater()
}

// author is who wrote a record, or signed it later.
func (s *set) author(r *event.Record) string {
	if r.Head.Author == "" {
		return s.signed[r.Hash].author
	}
	return r.Head.Author
}

func (f *fact) entry() Entry {
	return Entry{
		AtMs: f.atMs, WallMs: f.rec.Head.WallUs / 1000, Zone: f.told.GetZone(),
		Precision: f.told.GetPrecision(), Type: f.typ, Record: f.id, By: f.by,
		Log: f.rec.Log, Author: f.author, Marks: f.marks,
	}
}

func (f *fact) stamp() Stamp {
	return Stamp{Record: f.id, AtMs: f.atMs, OffMs: f.offMs(), Author: f.author, Marks: f.marks}
}

// offMs is how far the clock that told the time was behind the clinic's.
func (f *fact) offMs() int64 { return f.clock.ToldOffMs(f.told) }

// sources are the records that a claim about the fact rests on.
func (f *fact) sources() []event.Hash {
	if f.by.IsZero() {
		return []event.Hash{f.id}
	}
	return []event.Hash{f.id, f.by}
}
