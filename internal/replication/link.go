package replication

import (
	"context"
	"errors"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/cenkalti/backoff/v5"
	"golang.org/x/sync/errgroup"

	"thawtrail/internal/clock"
	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/replica"
	"thawtrail/internal/store"
	pb "thawtrail/proto/thawtrail/v1"
)

// Timing of the link to the server.
const (
	firstRetry   = 500 * time.Millisecond
	lastRetry    = 15 * time.Second
	retryJitter  = 0.3
	helloTimeout = 10 * time.Second
	pushTimeout  = 60 * time.Second
	// wakeTick is how often the wall clock is looked at; a jump of more than
	// twice that means that the laptop slept, and the link is made anew.
	wakeTick = 5 * time.Second
	// roomTick is how often room is looked for on a full disk.
	roomTick = 2 * time.Second
)

// Dial makes a way to the server. It need not connect before it is used. Arrived is
// told whenever anything comes from there.
type Dial func(arrived func()) (Peer, error)

// Link is a laptop's way to the clinic's server: sessions, one after the other,
// each with its hello, a pushing and a pulling half.
type Link struct {
	replica *replica.Replica
	store   *store.Store
	clock   clock.Clock
	log     *slog.Logger
	server  string
	dial    Dial
	save    func(known)

	mu          sync.Mutex // guards what people are told
	state       string
	epoch       string // of the hub that was met last
	differences []string
	told        []string // by the other side, in this session
	quarantined []string
	heard       time.Time                    // from the server, last
	live        bool                         // a hello was answered and its link stands
	sessions    int                          // that began with an answered hello
	acked       map[event.LogID]exchange.Tip // of own logs, as the hub acknowledged

	keys *keyIntake

	// unjoined is what this side had said of logs whose runs could not be joined on; the
	// pulling half of a session uses it alone. At most exchange.MaxLogs.
	unjoined map[event.LogID]exchange.HeldLog

	offered time.Time // to a server in doubt, last; used by Run alone
}

const epochName = "hub epoch"

// NewLink prepares the link of a laptop. Server is how people call the other side;
// empty for a laptop that works alone.
func NewLink(r *replica.Replica, server string, dial Dial, memory Memory) *Link {
	l := &Link{
		replica: r, store: r.Store, clock: r.Clock, log: r.Log, server: server, dial: dial,
		state: "not connected yet", acked: map[event.LogID]exchange.Tip{}, keys: newKeyIntake(r, maxWaiting),
		unjoined: map[event.LogID]exchange.HeldLog{},
	}
	if l.server == "" {
		l.state = "no server: this laptop works alone"
	}
	epoch, _ := r.Store.Local(epochName) // until it had a file of its own
	k, save := keeper(memory, epoch, r.Log)
	l.epoch, l.save = k.HubEpoch, save
	if k.HeardUs != 0 {
		l.heard = time.UnixMicro(k.HeardUs)
	}
	return l
}

// Run keeps sessions going until ctx ends.
func (l *Link) Run(ctx context.Context) error {
	if l.server == "" {
		<-ctx.Done()
		return nil
	}
	wait := backoff.NewExponentialBackOff()
	wait.InitialInterval, wait.MaxInterval, wait.RandomizationFactor = firstRetry, lastRetry, retryJitter
	for {
		before := l.greetings()
		err := l.session(ctx)
		if ctx.Err() != nil {
			return nil
		}
		l.say(wordOf(err))
		if errors.Is(err, errWoke) || errors.Is(err, errCarried) || errors.Is(err, errHelped) || l.greetings() != before {
			wait.Reset()
		}
		if !l.pause(ctx, wait.NextBackOff()) {
			wait.Reset()
		}
	}
}

// wordOf is what people are told of a link that is down.
func wordOf(err error) string {
	if err == nil {
		return "not connected"
	}
	return "not connected: " + err.Error()
}

// pause waits, but not through a sleep of the laptop: false means that the wall
// clock jumped and the time is over.
func (l *Link) pause(ctx context.Context, d time.Duration) bool {
	until := l.clock.Now().Add(d)
	tick := time.NewTicker(min(d, wakeTick))
	defer tick.Stop()
	last := l.clock.Now()
	for {
		select {
		case <-ctx.Done():
			return true
		case <-tick.C:
		}
		now := l.clock.Now()
		if now.Sub(last) > 2*wakeTick {
			return false
		}
		if !now.Before(until) || now.Before(last) {
			return true
		}
		last = now
	}
}

var (
	errWoke    = errors.New("the laptop woke up")
	errCarried = errors.New("records came by hand: the server is asked anew what it lacks")
)

// session runs from hello to the end of the link.
func (l *Link) session(ctx context.Context) error {
	peer, err := l.dial(l.stillThere)
	if err != nil {
		return err
	}
	defer peer.Close()
	met, err := l.hello(ctx, peer)
	if errors.Is(err, ErrInDoubt) {
		err = l.help(ctx, peer, err)
	}
	if err != nil {
		return err
	}
	l.greeted(true)
	defer l.greeted(false)
	l.say("connected")
	group, ctx := errgroup.WithContext(ctx)
	group.Go(func() error { return l.keepHeard(ctx) })
	sent, caughtUp := make(chan struct{}), make(chan struct{})
	group.Go(func() error { return met.push(ctx, peer, sent) })
	group.Go(func() error { return met.pull(ctx, peer, caughtUp) })
	group.Go(func() error { return met.saveAgain(ctx, caughtUp) })
	group.Go(func() error { return met.compareKeys(ctx, peer, sent, caughtUp) })
	group.Go(func() error { return l.watchSleep(ctx) })
	group.Go(func() error { return l.watchCarried(ctx) })
	return group.Wait()
}

// watchCarried ends the session when records of other laptops came by hand. A
// session sends this laptop's own; the next hello says what else the server lacks.
func (l *Link) watchCarried(ctx context.Context) error {
	select {
	case <-ctx.Done():
		return nil
	case <-l.replica.Carried:
		return errCarried
	}
}

// hello states what is believed here, measures the clock, and acts on what the
// two sides find different.
func (l *Link) hello(ctx context.Context, peer Peer) (*Session, error) {
	ctx, cancel := context.WithTimeout(ctx, helloTimeout)
	defer cancel()
	greeting := l.Greet()
	resp, err := peer.Hello(ctx, greeting.Request)
	if err != nil {
		return nil, err
	}
	return l.Meet(ctx, greeting, resp)
}

// hear notes what only the other side can find: that this folder has a live copy.
func (l *Link) hear(differences []string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, d := range differences {
		if strings.HasPrefix(d, exchange.DeviceTwice.String()+":") && len(d) < maxToldBytes && !slices.Contains(l.told, d) && len(l.told) < maxNoted {
			l.told = append(l.told, d)
			l.log.Warn("told by the server", "difference", d)
		}
	}
}

// maxToldBytes bounds one sentence of the other side.
const maxToldBytes = 1 << 10

// measure keeps the offset of this clock against the hub's: the hub's answer
// lies between the two readings, so half the round trip bounds the error (NTP,
// RFC 5905 section 8, with one stamp for receipt and answer).
func (l *Link) measure(sent, got time.Time, hubUs int64) {
	middle := sent.Add(got.Sub(sent) / 2)
	l.store.SetClockOffset(&pb.ClockOffset{
		OffsetUs: hubUs - middle.UnixMicro(), BoundUs: got.Sub(sent).Microseconds() / 2, MeasuredUs: got.UnixMicro(),
	})
	l.mu.Lock()
	defer l.mu.Unlock()
	l.heard = got
	l.sessions++
}

// compare acts on every difference: a stop ends the session, lost own records
// open a new epoch, and a new hub epoch is remembered.
func (l *Link) compare(ctx context.Context, theirs exchange.Beliefs) error {
	found, err := differences(l.store, func() exchange.Mine {
		return exchange.Mine{Beliefs: beliefs(l.replica, l.Practice(), l.HubEpoch()), Acked: l.ackedTips()}
	}, theirs)
	if err != nil {
		return err
	}
	var words []string
	for _, d := range found[:min(len(found), maxDifferences)] {
		switch d.Kind {
		case exchange.Same, exchange.TheyLack, exchange.WeLack:
		default:
			words = append(words, d.String())
			l.log.Info("hello", "difference", d.String())
		}
	}
	l.mu.Lock()
	l.differences, l.epoch, l.told = words, theirs.HubEpoch, nil
	l.mu.Unlock()
	if stop, ok := exchange.Stop(found); ok {
		return errors.New(stop.String())
	}
	l.believe(theirs)
	l.keep()
	if _, lost := exchange.NewEpoch(found); lost {
		if err := l.store.NewEpoch("the server holds more of this laptop's logs than this disk"); err != nil {
			return err
		}
	}
	return nil
}

// believe takes over what the hub says that it holds of our logs.
func (l *Link) believe(theirs exchange.Beliefs) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.acked = map[event.LogID]exchange.Tip{}
	for _, h := range theirs.Held {
		if info, ok := l.store.Log(h.Log); ok && info.Key.Equal(l.store.PublicKey()) && l.store.Holds(h.Log, h.Tip()) {
			l.acked[h.Log] = h.Tip()
		}
	}
}

// acknowledged notes that the hub has a log durably up to a tip.
func (l *Link) acknowledged(tip exchange.LogTip) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.heard = l.clock.Now()
	if old, ok := l.acked[tip.Log]; !ok || tip.Seq >= old.Seq {
		l.acked[tip.Log] = tip.Tip
	}
}

// maxNoted bounds the list that people are shown.
const maxNoted = 50

func (l *Link) noteQuarantined(words ...string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, w := range words {
		if !slices.Contains(l.quarantined, w) && len(l.quarantined) < maxNoted {
			l.quarantined = append(l.quarantined, w)
		}
	}
}

// watchSleep ends the session when the laptop slept: the link is dead, and all
// timers stood still meanwhile.
func (l *Link) watchSleep(ctx context.Context) error {
	tick := time.NewTicker(wakeTick)
	defer tick.Stop()
	last := l.clock.Now()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
		now := l.clock.Now()
		if now.Sub(last) > 2*wakeTick {
			return errWoke
		}
		last = now
	}
}
