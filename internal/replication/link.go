package replication

import (
	"context"
	"errors"
	"fmt"
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
}

const epochName = "hub epoch"

// NewLink prepares the link of a laptop. Server is how people call the other side;
// empty for a laptop that works alone.
func NewLink(r *replica.Replica, server string, dial Dial, memory Memory) *Link {
	l := &Link{
		replica: r, store: r.Store, clock: r.Clock, log: r.Log, server: server, dial: dial,
		state: "not connected yet", acked: map[event.LogID]exchange.Tip{}, keys: newKeyIntake(r, maxWaiting),
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
		if errors.Is(err, errWoke) || errors.Is(err, errCarried) || l.greetings() != before {
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
	theirs, err := l.hello(ctx, peer)
	if err != nil {
		return err
	}
	l.greeted(true)
	defer l.greeted(false)
	l.say("connected")
	group, ctx := errgroup.WithContext(ctx)
	group.Go(func() error { return l.keepHeard(ctx) })
	caughtUp := make(chan struct{})
	group.Go(func() error { return l.push(ctx, peer, theirs) })
	group.Go(func() error { return l.pull(ctx, peer, theirs.session, caughtUp) })
	if theirs.session != 0 {
		group.Go(func() error { return l.compareKeys(ctx, peer, theirs.session, caughtUp) })
	}
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

// met is the other side of a session as its hello says.
type met struct {
	exchange.Beliefs
	session uint64 // zero of a program that does not compare keys
}

// hello states what is believed here, measures the clock, and acts on what the
// two sides find different.
func (l *Link) hello(ctx context.Context, peer Peer) (met, error) {
	ctx, cancel := context.WithTimeout(ctx, helloTimeout)
	defer cancel()
	sent := l.clock.Now()
	resp, err := peer.Hello(ctx, &pb.HelloRequest{Beliefs: beliefs(l.replica, l.Practice(), l.HubEpoch()).PB()})
	if err != nil {
		return met{}, err
	}
	l.measure(sent, l.clock.Now(), resp.GetBeliefs().GetWallUs())
	theirs, err := exchange.BeliefsFromPB(resp.GetBeliefs())
	if err != nil {
		return met{}, err
	}
	err = l.compare(ctx, theirs)
	l.hear(resp.Differences)
	return met{theirs, resp.Session}, err
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
	mine := exchange.Mine{Beliefs: beliefs(l.replica, l.Practice(), l.HubEpoch()), Has: l.store.Has, Acked: l.ackedTips()}
	found := exchange.Compare(mine, theirs)
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
		if info, ok := l.store.Log(h.Log); ok && info.Key.Equal(l.store.PublicKey()) && l.store.Has(h.Log, h.Tip()) {
			l.acked[h.Log] = h.Tip()
		}
	}
}

// push hands over what the server lacks, then every new record of this laptop.
func (l *Link) push(ctx context.Context, peer Peer, theirs met) error {
	_, seen, _ := l.store.MovedSince(0)
	pusher := exchange.NewPusher(l.store.Held(), theirs.Held, l.store.Has)
	pusher.GiveBack(theirs.Own)
	to := pushing{Link: l, peer: peer, pusher: pusher, session: theirs.session}
	for {
		changed := l.store.Saved()
		seen = l.tellMoves(pusher, seen)
		if err := to.all(ctx); err != nil {
			return err
		}
		select {
		case <-ctx.Done():
			return nil
		case <-changed:
		}
	}
}

// tellMoves tells the pusher which own logs grew. What came from the server
// needs no telling: it is there already.
func (l *Link) tellMoves(p *exchange.Pusher, seen uint64) uint64 {
	logs, upto, all := l.store.MovedSince(seen)
	if all {
		logs = l.store.OwnLogs()
	}
	for _, id := range logs {
		if info, ok := l.store.Log(id); ok && info.Key.Equal(l.store.PublicKey()) {
			if h, ok := l.store.HeldOne(id); ok {
				p.Moved(h)
			}
		}
	}
	return upto
}

// pushing is the pushing half of one session.
type pushing struct {
	*Link
	peer    Peer
	pusher  *exchange.Pusher
	session uint64
	keys    int // how many keys were sent to a program that does not compare them
}

func (p *pushing) all(ctx context.Context) error {
	r := reader{store: p.store}
	defer r.stop()
	for {
		send, ok := p.pusher.Next()
		if !ok || !send.Urgent {
			if err := p.allKeys(ctx); err != nil {
				return err
			}
		}
		if !ok {
			p.tellQuarantined(p.pusher)
			return nil
		}
		run, next, err := r.read(ctx, send)
		if err != nil {
			return err
		}
		if run == nil {
			p.pusher.Unable()
			continue
		}
		if next <= send.To {
			r.readAhead(ctx, send, next)
		}
		if err := p.one(ctx, run, next); err != nil {
			return err
		}
	}
}

// allKeys sends all keys, and then each new one, to a program that does not compare
// them by their ids. It comes after what is urgent.
func (p *pushing) allKeys(ctx context.Context) error {
	for p.session == 0 {
		keys, next := p.replica.Seals.Since(p.keys, replica.MaxKeysSent)
		if len(keys) == 0 {
			return nil
		}
		if _, err := p.peer.Push(ctx, &pb.PushRequest{Device: p.store.Device(), Keys: keys}); err != nil {
			return err
		}
		p.keys = next
	}
	return nil
}

func (p *pushing) one(ctx context.Context, run *pb.Run, next uint64) error {
	ctx, cancel := context.WithTimeout(ctx, pushTimeout)
	defer cancel()
	resp, err := p.peer.Push(ctx, &pb.PushRequest{
		Device: p.store.Device(), Session: p.session, Runs: []*pb.Run{run}, Keys: keysFor(p.replica, run),
	})
	if err != nil {
		p.pusher.Failed()
		return err
	}
	var tips []exchange.LogTip
	for _, m := range resp.Accepted {
		tip, err := exchange.TipFromPB(m)
		if err != nil {
			return err
		}
		tips = append(tips, tip)
		p.acknowledged(tip)
	}
	var refused []*exchange.Refusal
	for _, m := range resp.Refused {
		r, err := exchange.RefusalFromPB(m)
		if err != nil {
			return err
		}
		refused = append(refused, r)
	}
	p.pusher.Acked(next, tips, refused)
	return nil
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

func (l *Link) tellQuarantined(p *exchange.Pusher) {
	var words []string
	for _, a := range p.Aside() {
		words = append(words, fmt.Sprintf("log %s is not sent any more: %v", a.Log.Short(), a.Why))
	}
	if len(words) > 0 {
		l.noteQuarantined(words...)
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

// pull takes what this laptop lacks and stays open for what comes.
func (l *Link) pull(ctx context.Context, peer Peer, session uint64, caughtUp chan<- struct{}) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, err := peer.Pull(ctx, &pb.PullRequest{Device: l.store.Device(), Session: session, Held: exchange.HeldPB(l.store.Held())})
	if err != nil {
		return err
	}
	for told := false; ; {
		resp, err := stream.Recv()
		if err != nil {
			return err
		}
		if err := l.takeWithRoom(ctx, resp); err != nil {
			return err
		}
		if resp.CaughtUp && !told {
			told = true
			close(caughtUp)
		}
	}
}

// takeWithRoom is take that waits while the disk is full. The session goes on: this
// laptop's own records must still go out, and its server keeps the others.
func (l *Link) takeWithRoom(ctx context.Context, resp *pb.PullResponse) error {
	err := l.take(ctx, resp)
	if !errors.Is(err, store.ErrNoSpace) {
		return err
	}
	l.say("connected, but the disk is full: records are sent, and none can be taken")
	tick := time.NewTicker(roomTick)
	defer tick.Stop()
	for errors.Is(err, store.ErrNoSpace) {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
		err = l.take(ctx, resp)
	}
	l.say("connected")
	return err
}

// take saves what came. A gap ends the session: the next hello says what is held.
func (l *Link) take(ctx context.Context, resp *pb.PullResponse) error {
	l.mu.Lock()
	l.heard = l.clock.Now()
	l.mu.Unlock()
	l.hear(resp.Differences)
	var results []store.RunResult
	if len(resp.Runs) > 0 {
		var err error
		if results, err = l.store.Ingest(ctx, resp.Runs); err != nil {
			return err
		}
	}
	l.takeKeys(ctx, resp.Keys, results)
	for i, r := range results {
		switch {
		case r.Refused == nil:
		case r.Refused.Damage():
			quarantine(l.replica, resp.Runs[i], r.Refused)
			l.noteQuarantined(r.Refused.Error())
		default:
			return r.Refused
		}
	}
	return nil
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
