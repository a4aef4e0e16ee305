package exchange

import (
	"cmp"
	"slices"

	"thawtrail/internal/event"
)

// maxStrikes is how often one log may be refused, or go out without getting
// further, before it is set aside.
const maxStrikes = 8

// Pusher decides what to send next to one other side, for one session. It serves
// Push and the sending side of Pull alike. One run is on its way at a time; logs
// take turns, urgent ones always first.
//
// Want is a stretch of one log that the other side lacks.
type Want struct {
	Log    event.LogID
	Urgent bool
	From   uint64
	// Refill says that it was lost to damage there, below the tip; what comes
	// after To is held there. A run ends at a signature, so it may go past To.
	Refill bool
	To     uint64
}

// For each log it keeps one number, the cursor: all that is held here below it
// is held there. The cursor only moves forward on an acknowledgement, and back
// when the other side says that it holds less. All that is sent may be lost,
// come twice, or be acknowledged in vain: sending again is always right.
type Pusher struct {
	has    Has
	size   BatchSize
	logs   []feed // ordered by log
	flying bool   // a run is on its way
	sent   Want   // which run that is, or was
	turn   uint64
}

// feed is the state of one log.
type feed struct {
	my      HeldLog
	theirs  HeldLog // what they are known to hold: tips and missing runs
	cursor  uint64
	turn    uint64 // when it last had its turn
	refill  uint64 // how far a refill from below a fork has come; 0 for none
	strikes uint8
	stuck   bool  // nothing here to cut a run from
	aside   error // why it is not sent any more
	back    bool  // they write it themselves: before all others
}

// Send is a run to read, cut and send.
type Send struct {
	Want
	MaxBytes int
}

// Aside is a log that is not sent any more in this session, and why.
type Aside struct {
	Log event.LogID
	Why error
}

// NewPusher begins a session. Both lists are ordered by log.
func NewPusher(mine, theirs []HeldLog, has Has) *Pusher {
	p := &Pusher{has: has}
	for _, pair := range pairs(mine, theirs) {
		f := feed{my: pair[0], theirs: pair[1]}
		f.theirs.Missing = slices.Clone(f.theirs.Missing)
		f.restart(has)
		p.logs = append(p.logs, f)
	}
	return p
}

// restart sets the cursor from what they are known to hold.
func (f *feed) restart(has Has) {
	from, lack := lackedFrom(f.my, f.theirs, has)
	if !lack {
		from = after(f.my)
	}
	f.cursor = from
}

// want is what to send next of this log.
func (f *feed) want() (Want, bool) {
	w := Want{Log: f.my.Log, Urgent: f.my.urgent()}
	if f.stuck || f.aside != nil || len(f.my.Tips) == 0 {
		return w, false
	}
	if r, ok := refillable(f.theirs.Missing, f.my); ok {
		w.From, w.To, w.Refill = r.From, r.To, true
		if fork := f.my.Fork; fork != 0 && fork <= r.From {
			// The run would begin in the middle of a branch that they may not hold.
			w.From = max(fork, f.refill)
		}
		return w, true
	}
	w.From, w.To = f.cursor, f.my.Tip().Seq
	return w, f.cursor <= w.To && !anyHas(f.my.Missing, f.cursor)
}

// Next is the run to send now. It is false while one is on its way, and when
// there is nothing to send until Moved.
func (p *Pusher) Next() (Send, bool) {
	if p.flying {
		return Send{}, false
	}
	var best *feed
	for i := range p.logs {
		f := &p.logs[i]
		w, ok := f.want()
		if ok && (best == nil || f.before(best)) {
			best, p.sent = f, w
		}
	}
	if best == nil {
		return Send{}, false
	}
	p.turn++
	best.turn = p.turn
	p.flying = true
	return Send{p.sent, p.size.Bytes()}, true
}

// before says that a log goes out before another one.
func (f *feed) before(other *feed) bool {
	return cmp.Or(cmp.Compare(other.rank(), f.rank()), cmp.Compare(f.turn, other.turn)) < 0
}

func (f *feed) rank() int {
	switch {
	case f.back:
		return 2
	case f.my.urgent():
		return 1
	}
	return 0
}

// GiveBack names the logs that they write themselves. What they lack of those they
// lost: they get it before all else, so that they open new logs before they write.
func (p *Pusher) GiveBack(own []event.LogID) {
	for i := range p.logs {
		p.logs[i].back = slices.Contains(own, p.logs[i].my.Log)
	}
}

// Moved says that this store holds more, or less, of one log than before.
func (p *Pusher) Moved(h HeldLog) {
	f := p.feed(h.Log)
	beside := h.Fork != f.my.Fork || len(h.Tips) != len(f.my.Tips) || f.grewBeside(h)
	f.my, f.stuck = h, false
	cursor := f.cursor
	if f.restart(p.has); !beside {
		f.cursor = max(f.cursor, cursor)
	}
}

// grewBeside says that a branch grew at a place which the cursor has passed on another
// one: it ends there now, or it ended before that place and has gone on, however far.
func (f *feed) grewBeside(h HeldLog) bool {
	return len(h.Tips) > 1 && (slices.ContainsFunc(h.Tips, func(t Tip) bool {
		return t.Seq < f.cursor && !slices.Contains(f.my.Tips, t)
	}) || slices.ContainsFunc(f.my.Tips, func(t Tip) bool {
		return t.Seq+1 < f.cursor && !slices.Contains(h.Tips, t)
	}))
}

// TheyHold says that they hold one log up to a tip, because it came from them.
// Say it before Moved, or it is sent back to them. In a forked log it changes
// nothing: there one tip does not say what else they hold.
func (p *Pusher) TheyHold(at LogTip) {
	f := p.feed(at.Log)
	if len(f.my.Tips) > 1 || len(f.theirs.Tips) > 1 || at.Seq < f.theirs.Tip().Seq {
		return
	}
	f.theirs.Tips = []Tip{at.Tip}
	f.cursor = max(f.cursor, at.Seq+1)
}

// Lack says that they are not known to hold a record of a log. When nothing is left to
// be sent, they wait for it.
func (p *Pusher) Lack(log event.LogID, seq uint64) bool {
	f := p.feed(log)
	_, hold := Gives([]HeldLog{f.theirs}, log, seq)
	return !hold && f.cursor <= seq
}

// feed finds or makes the state of a log.
func (p *Pusher) feed(log event.LogID) *feed {
	i, ok := slices.BinarySearchFunc(p.logs, log, func(f feed, id event.LogID) int { return f.my.Log.Compare(id) })
	if !ok {
		p.logs = slices.Insert(p.logs, i, feed{my: HeldLog{Log: log}, theirs: HeldLog{Log: log}})
	}
	return &p.logs[i]
}

// land ends what is on its way, and gives its log; nil when nothing was.
func (p *Pusher) land() *feed {
	if !p.flying {
		return nil
	}
	p.flying = false
	return p.feed(p.sent.Log)
}

// Failed says that the link broke: nothing is known of what was on its way.
func (p *Pusher) Failed() {
	if p.land() != nil {
		p.size.Failed()
	}
}

// Unable says that CutRun found no run to send: the log waits for Moved.
func (p *Pusher) Unable() {
	if f := p.land(); f != nil {
		f.stuck = true
	}
}

// Streamed says that a stream took the run; next is what CutRun gave.
func (p *Pusher) Streamed(next uint64) {
	if f := p.land(); f != nil {
		p.progress(f, next)
	}
}

// Acked says that they answered; next is what CutRun gave. accepted are the tips
// that they hold now, refused what they did not take.
func (p *Pusher) Acked(next uint64, accepted []LogTip, refused []*Refusal) {
	f := p.land()
	if f == nil {
		return
	}
	for _, r := range refused {
		if r.Log == f.my.Log {
			p.refusal(f, r)
			return
		}
	}
	var tips []Tip
	for _, t := range accepted {
		if t.Log == f.my.Log {
			tips = append(tips, t.Tip)
		}
	}
	slices.SortFunc(tips, newestFirst)
	if len(tips) == 0 || tips[0].Seq+1 < next {
		p.holdsOnly(f, tips)
		f.strike(errNotTaken)
		return
	}
	p.progress(f, next)
}

// progress moves past what was sent.
func (p *Pusher) progress(f *feed, next uint64) {
	if next <= p.sent.From {
		f.strike(errNoWay)
		return
	}
	p.size.Worked()
	f.strikes = 0
	if !p.sent.Refill {
		f.cursor = max(f.cursor, next)
		return
	}
	f.refill = next
	if p.sent.To < next {
		f.refill = 0
	}
	// What lies before cannot be given here, and stays missing there.
	f.theirs.Missing = less(f.theirs.Missing, p.sent.From, next)
}

// refusal draws the conclusion from one refused run.
func (p *Pusher) refusal(f *feed, r *Refusal) {
	switch {
	case r.Damage():
		f.aside = r
		return
	case r.Why == TooLarge:
		p.size.Failed()
	case r.Held.Hash.IsZero() || r.Why == UnknownLog:
		p.holdsOnly(f, nil)
	default:
		p.holdsOnly(f, []Tip{r.Held})
	}
	f.strike(r)
}

// holdsOnly takes back what was believed of them.
func (p *Pusher) holdsOnly(f *feed, tips []Tip) {
	f.theirs.Tips, f.refill = tips, 0
	f.restart(p.has)
}

// strike counts a turn that led nowhere.
func (f *feed) strike(why error) {
	if f.strikes++; f.strikes >= maxStrikes {
		f.aside = why
	}
}

// Aside lists the logs that are not sent any more, in the order of their ids.
func (p *Pusher) Aside() (out []Aside) {
	for _, f := range p.logs {
		if f.aside != nil {
			out = append(out, Aside{f.my.Log, f.aside})
		}
	}
	return out
}
