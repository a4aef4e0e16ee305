package agent

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"time"

	"github.com/cenkalti/backoff/v5"
	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"

	"thawtrail/internal/clock"
	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/service"
	"thawtrail/internal/store"
	"thawtrail/internal/trust"
	"thawtrail/internal/trust/authority"
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
)

// link is the way to the clinic's server: sessions, one after the other, each
// with its hello, a pushing and a pulling half.
type link struct {
	replica *service.Replica
	store   *store.Store
	clock   clock.Clock
	log     *slog.Logger
	server  string
	home    *trust.Home

	mu          sync.Mutex // guards what people are told
	state       string
	epoch       string // of the hub that was met last
	differences []string
	aside       []string
	heard       time.Time
	acked       map[event.LogID]exchange.Tip // of own logs, as the hub acknowledged
}

const epochName = "hub epoch"

func newLink(r *service.Replica, home *trust.Home, cfg Config) *link {
	l := &link{
		replica: r, store: r.Store, clock: cfg.Clock, log: cfg.Log, server: cfg.Server, home: home,
		state: "not connected yet", acked: map[event.LogID]exchange.Tip{},
	}
	if l.server == "" && home.Joined != nil {
		l.server = home.Joined.Server
	}
	if l.server == "" {
		l.state = "no server: this laptop works alone"
	}
	if epoch, err := r.Store.Local(epochName); err == nil {
		l.epoch = string(epoch)
	}
	return l
}

// run keeps sessions going until ctx ends.
func (l *link) run(ctx context.Context) error {
	if l.server == "" {
		<-ctx.Done()
		return nil
	}
	wait := backoff.NewExponentialBackOff()
	wait.InitialInterval, wait.MaxInterval, wait.RandomizationFactor = firstRetry, lastRetry, retryJitter
	for {
		before := l.LastHeard()
		err := l.session(ctx)
		if ctx.Err() != nil {
			return nil
		}
		l.say(wordOf(err))
		if errors.Is(err, errWoke) || errors.Is(err, errCarried) || l.LastHeard() != before {
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
func (l *link) pause(ctx context.Context, d time.Duration) bool {
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
func (l *link) session(ctx context.Context) error {
	creds, err := l.credentials()
	if err != nil {
		return err
	}
	conn, err := service.Dial(l.server, creds)
	if err != nil {
		return fmt.Errorf("address %q: %w", l.server, err)
	}
	defer conn.Close()
	client := pb.NewExchangeServiceClient(conn)
	theirs, err := l.hello(ctx, client)
	if err != nil {
		return err
	}
	l.say("connected")
	group, ctx := errgroup.WithContext(ctx)
	group.Go(func() error { return l.push(ctx, client, theirs) })
	group.Go(func() error { return l.pull(ctx, client) })
	group.Go(func() error { return l.watchSleep(ctx) })
	group.Go(func() error { return l.watchCarried(ctx) })
	return group.Wait()
}

// watchCarried ends the session when records of other laptops came by hand. A
// session sends this laptop's own; the next hello says what else the server lacks.
func (l *link) watchCarried(ctx context.Context) error {
	select {
	case <-ctx.Done():
		return nil
	case <-l.replica.Carried:
		return errCarried
	}
}

// credentials prove this laptop to the practice's server and that server to it.
func (l *link) credentials() (credentials.TransportCredentials, error) {
	if l.home.Joined == nil {
		return nil, errors.New("this laptop has not joined the practice yet: `thawtrail agent enrol CODE`")
	}
	root, err := l.home.Joined.Root()
	if err != nil {
		return nil, err
	}
	return authority.Practice(l.home.Device, root)
}

// hello states what is believed here, measures the clock, and acts on what the
// two sides find different.
func (l *link) hello(ctx context.Context, client pb.ExchangeServiceClient) (exchange.Beliefs, error) {
	ctx, cancel := context.WithTimeout(ctx, helloTimeout)
	defer cancel()
	sent := l.clock.Now()
	resp, err := client.Hello(ctx, &pb.HelloRequest{Beliefs: l.replica.Beliefs(l.practice(), l.hubEpoch()).PB()}, grpc.WaitForReady(false))
	if err != nil {
		return exchange.Beliefs{}, plain(err)
	}
	l.measure(sent, l.clock.Now(), resp.GetBeliefs().GetWallUs())
	theirs, err := exchange.BeliefsFromPB(resp.GetBeliefs())
	if err != nil {
		return exchange.Beliefs{}, err
	}
	return theirs, l.compare(ctx, theirs)
}

// measure keeps the offset of this clock against the hub's: the hub's answer
// lies between the two readings, so half the round trip bounds the error (NTP,
// RFC 5905 section 8, with one stamp for receipt and answer).
func (l *link) measure(sent, got time.Time, hubUs int64) {
	middle := sent.Add(got.Sub(sent) / 2)
	l.store.SetClockOffset(&pb.ClockOffset{
		OffsetUs: hubUs - middle.UnixMicro(), BoundUs: got.Sub(sent).Microseconds() / 2, MeasuredUs: got.UnixMicro(),
	})
	l.mu.Lock()
	defer l.mu.Unlock()
	l.heard = got
}

// compare acts on every difference: a stop ends the session, lost own records
// open a new epoch, and a new hub epoch is remembered.
func (l *link) compare(ctx context.Context, theirs exchange.Beliefs) error {
	mine := exchange.Mine{Beliefs: l.replica.Beliefs(l.practice(), l.hubEpoch()), Has: l.store.Has, Acked: l.ackedTips()}
	found := exchange.Compare(mine, theirs)
	var words []string
	epoch := false
	for _, d := range found[:min(len(found), 100)] {
		epoch = epoch || d.NewEpoch()
		switch d.Kind {
		case exchange.Same, exchange.TheyLack, exchange.WeLack:
		default:
			words = append(words, d.String())
			l.log.Info("hello", "difference", d.String())
		}
	}
	l.mu.Lock()
	l.differences, l.epoch = words, theirs.HubEpoch
	l.mu.Unlock()
	if stop, ok := exchange.Stop(found); ok {
		return errors.New(stop.String())
	}
	l.believe(theirs)
	if err := l.store.SetLocal(epochName, []byte(theirs.HubEpoch)); err != nil {
		return err
	}
	if epoch {
		if err := l.store.NewEpoch("the server holds more of this laptop's logs than this disk"); err != nil {
			return err
		}
	}
	return nil
}

// believe takes over what the hub says that it holds of our logs.
func (l *link) believe(theirs exchange.Beliefs) {
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
func (l *link) push(ctx context.Context, client pb.ExchangeServiceClient, theirs exchange.Beliefs) error {
	_, seen, _ := l.store.MovedSince(0)
	pusher := exchange.NewPusher(l.store.Held(), theirs.Held, l.store.Has)
	keys := 0
	for {
		changed := l.store.Saved()
		var err error
		if keys, err = l.pushKeys(ctx, client, keys); err != nil {
			return err
		}
		seen = l.tellMoves(pusher, seen)
		if err := l.pushAll(ctx, client, pusher); err != nil {
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
func (l *link) tellMoves(p *exchange.Pusher, seen uint64) uint64 {
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

func (l *link) pushAll(ctx context.Context, client pb.ExchangeServiceClient, p *exchange.Pusher) error {
	r := reader{store: l.store}
	defer r.stop()
	for {
		send, ok := p.Next()
		if !ok {
			l.tellAside(p)
			return nil
		}
		run, next, err := r.read(ctx, send)
		if err != nil {
			return err
		}
		if run == nil {
			p.Unable()
			continue
		}
		if next <= send.To {
			r.readAhead(ctx, send, next)
		}
		if err := l.pushOne(ctx, client, p, run, next); err != nil {
			return err
		}
	}
}

// pushKeys sends field keys that the server was not sent in this session.
func (l *link) pushKeys(ctx context.Context, client pb.ExchangeServiceClient, from int) (int, error) {
	for {
		keys, next := l.replica.Seals.Since(from, service.MaxKeysSent)
		if len(keys) == 0 {
			return next, nil
		}
		if _, err := client.Push(ctx, &pb.PushRequest{Device: l.store.Device(), Keys: keys}); err != nil {
			return from, plain(err)
		}
		from = next
	}
}

func (l *link) pushOne(ctx context.Context, client pb.ExchangeServiceClient, p *exchange.Pusher, run *pb.Run, next uint64) error {
	ctx, cancel := context.WithTimeout(ctx, pushTimeout)
	defer cancel()
	resp, err := client.Push(ctx, &pb.PushRequest{Device: l.store.Device(), Runs: []*pb.Run{run}})
	if err != nil {
		p.Failed()
		return plain(err)
	}
	var tips []exchange.LogTip
	for _, m := range resp.Accepted {
		tip, err := exchange.TipFromPB(m)
		if err != nil {
			return err
		}
		tips = append(tips, tip)
		l.acknowledged(tip)
	}
	var refused []*exchange.Refusal
	for _, m := range resp.Refused {
		r, err := exchange.RefusalFromPB(m)
		if err != nil {
			return err
		}
		refused = append(refused, r)
	}
	p.Acked(next, tips, refused)
	return nil
}

// acknowledged notes that the hub has a log durably up to a tip.
func (l *link) acknowledged(tip exchange.LogTip) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.heard = l.clock.Now()
	if old, ok := l.acked[tip.Log]; !ok || tip.Seq >= old.Seq {
		l.acked[tip.Log] = tip.Tip
	}
}

func (l *link) tellAside(p *exchange.Pusher) {
	var words []string
	for _, a := range p.Aside() {
		words = append(words, fmt.Sprintf("log %s is not sent any more: %v", a.Log.Short(), a.Why))
	}
	if len(words) > 0 {
		l.noteAside(words...)
	}
}

// maxAsideWords bounds the list that people are shown.
const maxAsideWords = 50

func (l *link) noteAside(words ...string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, w := range words {
		if !slices.Contains(l.aside, w) && len(l.aside) < maxAsideWords {
			l.aside = append(l.aside, w)
		}
	}
}

// pull takes what this laptop lacks and stays open for what comes.
func (l *link) pull(ctx context.Context, client pb.ExchangeServiceClient) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, err := client.Pull(ctx, &pb.PullRequest{Device: l.store.Device(), Held: exchange.HeldPB(l.store.Held())})
	if err != nil {
		return plain(err)
	}
	for {
		resp, err := stream.Recv()
		if err != nil {
			return plain(err)
		}
		if err := l.take(ctx, resp); err != nil {
			return err
		}
	}
}

// take saves what came. A gap ends the session: the next hello says what is held.
func (l *link) take(ctx context.Context, resp *pb.PullResponse) error {
	l.mu.Lock()
	l.heard = l.clock.Now()
	l.mu.Unlock()
	if err := l.replica.Seals.Take(resp.Keys); err != nil {
		return err
	}
	if len(resp.Runs) == 0 {
		return nil
	}
	results, err := l.store.Ingest(ctx, resp.Runs)
	if err != nil {
		return err
	}
	for i, r := range results {
		switch {
		case r.Refused == nil:
		case r.Refused.Damage():
			l.replica.KeepAside(resp.Runs[i], r.Refused)
			l.noteAside(r.Refused.Error())
		default:
			return r.Refused
		}
	}
	return nil
}

// watchSleep ends the session when the laptop slept: the link is dead, and all
// timers stood still meanwhile.
func (l *link) watchSleep(ctx context.Context) error {
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
