package replication

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"sync"

	"thawtrail/internal/exchange"
	"thawtrail/internal/refusal"
)

// Two live copies of one data folder have one device and two boots. That a second
// boot appears proves nothing: the laptop may have been started again while an old
// link is still open. So the streams of the other boot are ended, once. A program
// that is gone stays away; one that lives comes back, and then both are proven to
// live at the same time, however late any message came:
//
//	first boot says hello, second boot says hello, first boot says hello,
//
// each heard the answer to its hello, for it names the session in its pull. The
// first lived from the first hello to the third, and the second at the second.

// maxVisits bounds what is remembered of the sessions of one device.
const maxVisits = 16

// visits are the newest sessions of one device.
type visits struct {
	list []visit // in the order of their sessions
	told string  // what is said of its copies; empty for one alone
}

type visit struct {
	session uint64
	boot    string
	heard   bool // it named the session: it heard the answer to its hello
}

// errTwin ends the streams of another boot.
var errTwin = refusal.Fail(refusal.ErrUnavailable, "another link of this laptop began; say hello again")

// twins knows who of the devices came lately. The zero value is empty.
type twins struct {
	mu       sync.Mutex
	sessions uint64                        // guarded by mu; how many there were
	of       map[exchange.DeviceID]*visits // guarded by mu
}

// hello begins a session.
func (t *twins) hello(device exchange.DeviceID, boot string) (session uint64, told string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.of == nil || len(t.of) >= exchange.MaxLogs {
		t.of = map[exchange.DeviceID]*visits{}
	}
	v := t.of[device]
	if v == nil {
		v = &visits{}
		t.of[device] = v
	}
	t.sessions++
	v.list = append(v.list[max(0, len(v.list)+1-maxVisits):], visit{session: t.sessions, boot: boot})
	return t.sessions, v.told
}

// heard notes that a device heard the answer to its hello. It gives the boot, what is
// new about its copies, and the two boots that were proven last to live at once.
func (t *twins) heard(device exchange.DeviceID, session uint64, name string) (boot, news string, met copies) {
	t.mu.Lock()
	defer t.mu.Unlock()
	v := t.of[device]
	if v == nil {
		return "", "", met
	}
	i, ok := slices.BinarySearchFunc(v.list, session, func(v visit, s uint64) int { return cmp.Compare(v.session, s) })
	if !ok {
		return "", "", met
	}
	v.list[i].heard = true
	met = v.proven()
	if v.told == "" && met.proven() {
		v.told = fmt.Sprintf("%s (%s, %s)", exchange.Difference{Kind: exchange.DeviceTwice}, refusal.Shorten(name), device.Short())
		news = v.told
	}
	return v.list[i].boot, news, met
}

// copies are the boots of two live copies, in order; empty where none are proven.
type copies [2]string

func (c copies) proven() bool { return c[0] != "" }

// proven gives the newest two boots of which one was heard before and after the other.
func (v *visits) proven() (met copies) {
	var before []string // boots in the order in which each came first or came back
	for _, s := range v.list {
		n := len(before)
		if !s.heard || s.boot == "" || n > 0 && before[n-1] == s.boot {
			continue
		}
		if slices.Contains(before, s.boot) {
			met = copies{min(s.boot, before[n-1]), max(s.boot, before[n-1])}
		}
		before = append(before, s.boot)
	}
	return met
}

// twice says that two copies of a device were proven since the start.
func (t *twins) twice(device exchange.DeviceID) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	v := t.of[device]
	return v != nil && v.told != ""
}

// told lists what is said of all devices.
func (t *twins) told() (words []string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for _, v := range t.of {
		if v.told != "" {
			words = append(words, v.told)
		}
	}
	slices.Sort(words)
	return words
}

// meet looks at who opens a stream: the streams of another boot are ended, or, when
// two copies are proven, all of the device are told.
func (x *Responder) meet(ctx context.Context, p *Stream, name string) {
	boot, news, met := x.twins.heard(p.device, p.session, name)
	twice := x.twins.twice(p.device)
	if news != "" {
		x.Log.Warn("exchange", "difference", news)
	}
	if met.proven() {
		x.writeCopies(ctx, p.device, name, met)
	}
	x.mu.Lock()
	defer x.mu.Unlock()
	p.boot = boot
	for _, other := range x.pulls[p.device] {
		switch {
		case other == p:
		case news != "":
			other.tell(news)
		case !twice && boot != "" && other.boot != "" && other.boot != boot:
			other.end(errTwin)
		}
	}
	if news != "" {
		p.tell(news)
	}
}

// tell puts words on the way to the other side; they wait for the stream.
func (p *Stream) tell(words string) {
	select {
	case p.words <- words:
	default: // it is told already
	}
}

// Differences are what this side found between those that it answers.
func (x *Responder) Differences() []string { return x.twins.told() }
