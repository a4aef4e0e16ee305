package exchange

import (
	"bytes"
	"crypto/ed25519"
	"slices"

	"thawtrail/internal/event"
	pb "thawtrail/proto/thawtrail/v1"
)

// Point is one held record, as far as Check must know it.
type Point struct {
	Hash, Prev event.Hash
	HlcUs      int64
	// Bare says that no signature that is held vouches for it any more. It is
	// taken once more, from who can vouch for it.
	Bare bool
}

// PointOf is a held record as Check takes it.
func PointOf(r *event.Record) Point {
	prev, _ := event.ToHash(r.Head.Prev)
	return Point{Hash: r.Hash, Prev: prev, HlcUs: r.Head.HlcUs}
}

// LogState is what the receiver holds of the log that a run belongs to.
type LogState struct {
	HeldLog
	// PublicKey of the log, from its opening record; nil when that is not held.
	PublicKey ed25519.PublicKey
	// At lists the records held at a place in this log. It is asked about places
	// at or below the tip only: for the start of a run, and for overlaps.
	At func(seq uint64) []Point
	// Pause is called now and then, so that a long run holds nobody up; nil: never.
	Pause func()
}

// pauseEvery is how many records are checked without a pause.
const pauseEvery = 64

// Checked is what Check found.
type Checked struct {
	// Accept are the records to append, in this order: verified and not yet held.
	// Signatures that were not verified are taken off.
	Accept []*event.Record
	// State is the log's state once Accept is durable.
	State LogState
	// Opened is the log's opening, when Accept begins with it.
	Opened *pb.LogOpened
	// Reached is the newest record of the run that is held once Accept is durable:
	// so much the sender is known to hold too.
	Reached Tip
	// ForkAt is the lowest seq at which Accept adds a second record; 0 for none.
	ForkAt uint64
	// Refused is what was not taken, or nil. Accept stands whether or not it is
	// set: it holds what came before the damage.
	Refused *Refusal
}

// Check verifies one run against what is held of its log. It takes the longest
// beginning of the run of which every record
//
//   - is a record of this log, complete, and the next one of the run;
//   - follows a record of the run or one that is held, with a clock not lower;
//   - is held, leads to one that is held, or leads to a signature that verifies.
//
// Records that are held are skipped by their hash, so a run may come twice. A
// record beside one that is held at the same place is a fork: it is taken too.
// If a signature that was checked does not fit, nothing of the run is taken.
//
// What is taken does not depend on how the log was cut into runs, so that all
// replicas come to take the same records.
func Check(run *pb.Run, have LogState) Checked {
	c := checker{run: run, have: have}
	c.refused = c.bounds()
	if c.refused == nil {
		c.links = make([]link, 0, len(run.Records))
		for i, wire := range run.Records {
			if have.Pause != nil && i%pauseEvery == 0 {
				have.Pause()
			}
			if c.refused = c.take(wire); c.refused != nil {
				break
			}
		}
		if r := c.vouch(); r != nil {
			c.links, c.refused = nil, r
		}
	}
	return c.result()
}

// link is one record of the run that follows from what came before it.
type link struct {
	rec     *event.Record
	parent  int // index of the record before it, -1 outside the run
	held    bool
	vouched bool
}

type checker struct {
	run     *pb.Run
	have    LogState
	log     event.LogID
	links   []link
	group   int // index of the first link at the newest seq
	before  int // index of the first link at the seq before
	opened  *pb.LogOpened
	refused *Refusal
}

func (c *checker) refuse(why Why, at uint64) *Refusal {
	return &Refusal{Why: why, Log: c.log, From: c.run.GetFrom(), At: at}
}

// bounds refuses what need not be looked into.
func (c *checker) bounds() *Refusal {
	from := c.run.GetFrom()
	var ok bool
	if c.log, ok = event.ToHash(c.run.GetLog()); !ok || len(c.run.Records) == 0 || len(c.have.Tips) > 0 && c.log != c.have.Log {
		return c.refuse(Malformed, from)
	}
	size := 0
	for _, wire := range c.run.Records {
		size += len(wire)
	}
	switch {
	case size > MaxRunBytes:
		return c.refuse(TooLarge, from)
	case from > 0 && len(c.have.PublicKey) != ed25519.PublicKeySize:
		return c.refuse(UnknownLog, from)
	case from > 0 && from-1 > c.have.Tip().Seq:
		return c.refuse(Gap, from)
	}
	return nil
}

// take adds the next record of the run to the links, or says why it cannot be.
func (c *checker) take(wire []byte) *Refusal {
	at := c.run.From
	if n := len(c.links); n > 0 {
		at = c.links[n-1].rec.Seq() + 1
	}
	rec, err := event.DecodeStrict(wire)
	if err != nil {
		return c.refuse(whyOf(err), at)
	}
	if rec.Log != c.log {
		return c.refuse(WrongLog, at)
	}
	if r := c.place(rec); r != nil {
		return r
	}
	if rec.Seq() == 0 {
		if r := c.open(rec); r != nil {
			return r
		}
	}
	if named := rec.Head.Device; len(named) > 0 && !bytes.Equal(named, event.DeviceID(c.have.PublicKey)) {
		c.links = c.links[:len(c.links)-1]
		return c.refuse(WrongDevice, at)
	}
	return nil
}

// place finds the record's place in the run and the record before it.
func (c *checker) place(rec *event.Record) *Refusal {
	seq, n := rec.Seq(), len(c.links)
	switch {
	case n == 0 && seq != c.run.From:
		return c.refuse(BrokenChain, c.run.From)
	case n == 0:
	case seq == c.links[n-1].rec.Seq()+1:
		c.before, c.group = c.group, n
	case seq != c.links[n-1].rec.Seq() || rec.Hash.Compare(c.links[n-1].rec.Hash) <= 0:
		return c.refuse(BrokenChain, c.links[n-1].rec.Seq()+1)
	case n-c.group >= MaxBranches:
		return c.refuse(TooManyBranches, seq)
	}
	held := slices.ContainsFunc(c.at(seq), func(p Point) bool { return p.Hash == rec.Hash && !p.Bare })
	parent, clock, ok := c.parent(rec)
	switch {
	case held || seq == 0:
	case !ok && c.group == 0:
		return c.refuse(Detached, seq)
	case !ok:
		return c.refuse(BrokenChain, seq)
	case rec.Head.HlcUs < clock:
		return c.refuse(ClockBack, seq)
	}
	c.links = append(c.links, link{rec: rec, parent: parent, held: held})
	return nil
}

// parent finds the record before rec, in the run or held, and its clock.
func (c *checker) parent(rec *event.Record) (index int, hlcUs int64, ok bool) {
	if rec.Seq() == 0 {
		return -1, 0, false
	}
	for i := c.before; i < c.group; i++ {
		if before := c.links[i].rec; bytes.Equal(rec.Head.Prev, before.Hash[:]) {
			return i, before.Head.HlcUs, true
		}
	}
	for _, p := range c.at(rec.Seq() - 1) {
		if bytes.Equal(rec.Head.Prev, p.Hash[:]) {
			return -1, p.HlcUs, true
		}
	}
	return -1, 0, false
}

// at asks the store, where it can hold anything.
func (c *checker) at(seq uint64) []Point {
	if len(c.have.Tips) == 0 || seq > c.have.Tip().Seq {
		return nil
	}
	return c.have.At(seq)
}

// open reads the log's key out of its opening record.
func (c *checker) open(rec *event.Record) *Refusal {
	payload, err := rec.Payload()
	opened, ok := payload.(*pb.LogOpened)
	if err != nil || !ok || len(opened.PublicKey) != ed25519.PublicKeySize {
		c.links = c.links[:0]
		return c.refuse(Malformed, 0)
	}
	c.opened = opened
	c.have.PublicKey = opened.PublicKey
	return nil
}

// vouch walks back from the end: a record that is held, or whose signature
// verifies, vouches for all that lead to it. It verifies one signature for each
// tip of the run and one for every StoneBytes, and takes the other ones off, but for
// those of the few records that make rights: they are brought back alone (Vouched).
func (c *checker) vouch() *Refusal {
	size := 0
	for i := len(c.links) - 1; i >= 0; i-- {
		l := &c.links[i]
		size += l.rec.Size()
		l.vouched = l.vouched || l.held || c.leadsToHeld(l.rec)
		switch {
		case l.held:
		case l.vouched && size < StoneBytes && !c.standsAlone(l.rec):
			l.rec.DropSignature()
		case l.rec.Signed():
			if l.rec.Verify(c.have.PublicKey) != nil {
				return c.refuse(BrokenSignature, l.rec.Seq())
			}
			l.vouched, size = true, 0
		}
		if l.vouched && l.parent >= 0 {
			c.links[l.parent].vouched = true
		}
	}
	return nil
}

// standsAlone says that a record makes rights and has a signature that verifies. An
// opening is known by its hash.
func (c *checker) standsAlone(rec *event.Record) bool {
	return rec.Seq() > 0 && rec.Rights() && rec.Signed() && rec.Verify(c.have.PublicKey) == nil
}

// leadsToHeld says that a held record that is vouched for follows this one.
func (c *checker) leadsToHeld(rec *event.Record) bool {
	return slices.ContainsFunc(c.at(rec.Seq()+1), func(p Point) bool { return p.Prev == rec.Hash && !p.Bare })
}

// result gathers what is taken and the log's state after it.
func (c *checker) result() Checked {
	out := Checked{State: c.have, Refused: c.refused}
	out.State.Log = c.log
	out.State.Tips = slices.Clone(c.have.Tips)
	vouched := false
	for i := range c.links {
		l := &c.links[i]
		vouched = vouched || l.vouched
		if l.held {
			out.Reached = Tip{l.rec.Seq(), l.rec.Hash}
		}
		if l.held || !l.vouched {
			continue
		}
		if !c.tip(&out.State, l) {
			out.Refused = c.refuse(TooManyBranches, l.rec.Seq())
			break
		}
		if out.ForkAt == 0 && c.beside(i) {
			out.ForkAt = l.rec.Seq()
		}
		out.Accept, out.Reached = append(out.Accept, l.rec), Tip{l.rec.Seq(), l.rec.Hash}
	}
	if out.Refused == nil && !vouched {
		out.Refused = c.refuse(Unsigned, c.run.From)
	}
	if c.opened != nil && len(out.Accept) > 0 && out.Accept[0].Seq() == 0 {
		out.Opened = c.opened
		out.State.Lane = c.opened.Lane
		copy(out.State.Device[:], event.DeviceID(c.opened.PublicKey))
	}
	out.finish(c.have)
	return out
}

// finish puts the new state in order.
func (out *Checked) finish(had LogState) {
	slices.SortFunc(out.State.Tips, newestFirst)
	if out.ForkAt != 0 && (out.State.Fork == 0 || out.ForkAt < out.State.Fork) {
		out.State.Fork = out.ForkAt
	}
	if len(out.State.Tips) == 0 {
		out.State.PublicKey = had.PublicKey
	}
	if out.Refused != nil {
		out.Refused.Held = out.State.Tip()
	}
}

// tip moves the tips and missing runs of the log over one record that is taken.
// It is false when the log would get too many branches.
func (c *checker) tip(s *LogState, l *link) bool {
	at := Tip{l.rec.Seq(), l.rec.Hash}
	s.Missing = without(s.Missing, at.Seq)
	i := slices.IndexFunc(s.Tips, func(t Tip) bool {
		return t.Seq+1 == at.Seq && bytes.Equal(l.rec.Head.Prev, t.Hash[:])
	})
	switch {
	case slices.Contains(s.Tips, at):
		// Held already, and vouched for now.
	case anyHas(s.Missing, at.Seq+1) || c.leadsToHeld(l.rec):
		// Leads to a tip that is held: no tip of its own.
	case i >= 0:
		s.Tips[i] = at
	case len(s.Tips) >= MaxBranches:
		return false
	default:
		s.Tips = append(s.Tips, at)
	}
	return true
}

// beside says that another record stands at the same place, held or in the run.
func (c *checker) beside(i int) bool {
	seq, hash := c.links[i].rec.Seq(), c.links[i].rec.Hash
	return slices.ContainsFunc(c.at(seq), func(p Point) bool { return p.Hash != hash }) || i > 0 && c.links[i-1].rec.Seq() == seq && c.links[i-1].vouched
}

// without takes one seq out of ascending ranges.
func without(ranges []SeqRange, seq uint64) []SeqRange {
	if !anyHas(ranges, seq) {
		return ranges
	}
	return less(ranges, seq, seq+1)
}

// less takes the stretch from from up to next out of ascending ranges.
func less(ranges []SeqRange, from, next uint64) (out []SeqRange) {
	for _, r := range ranges {
		if r.To < from || r.From >= next {
			out = append(out, r)
			continue
		}
		if r.From < from {
			out = append(out, SeqRange{r.From, from - 1})
		}
		if r.To >= next {
			out = append(out, SeqRange{next, r.To})
		}
	}
	return out
}

// Joined makes one range of those that touch. The ranges are ascending.
func Joined(ranges []SeqRange) (out []SeqRange) {
	for _, r := range ranges {
		if n := len(out); n > 0 && r.From <= out[n-1].To+1 {
			out[n-1].To = max(out[n-1].To, r.To)
			continue
		}
		out = append(out, r)
	}
	return out
}
