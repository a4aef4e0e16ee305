package rehearse

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net/url"
	"path/filepath"
	"sync"
	"time"

	"google.golang.org/grpc"

	"thawtrail/agent"
	"thawtrail/internal/clock"
	"thawtrail/internal/demo/wire"
	"thawtrail/internal/replica"
	"thawtrail/internal/say"
	"thawtrail/internal/trust/invite"
	"thawtrail/internal/trust/local"
	"thawtrail/internal/trust/vault"
	pb "thawtrail/proto/thawtrail/v1"
	"thawtrail/server"
)

// act is one rehearsal: a clinic's server, a laptop, and the wire between them.
type act struct {
	stage  *stage
	folder *folder
	secret vault.Secret // in this memory alone
	clock  *clock.Ahead
	place  Place
	wire   *wire.Wire
	hub    *grpc.ClientConn // to the clinic's server
	laptop *replica.Replica
	stop   context.CancelFunc
	parts  sync.WaitGroup

	mu      sync.Mutex
	changed chan struct{}
	caseID  string // of the patient; empty until one is opened
	done    deeds
	real    []string
}

// begin founds a practice that is marked as a rehearsal, stocks it and lets a laptop in.
func (s *stage) begin(ctx context.Context, listen, pages string) (_ *act, err error) {
	a := &act{stage: s, clock: &clock.Ahead{Clock: s.cfg.Clock}, place: Place{Rehearsal: true}, changed: make(chan struct{})}
	if a.folder, err = newFolder(); err != nil {
		return nil, err
	}
	running, stop := context.WithCancel(s.ctx)
	a.stop = stop
	defer func() {
		if err != nil {
			err = errors.Join(fmt.Errorf("begin a rehearsal: %w", err), a.close())
		}
	}()
	key := make([]byte, vault.KeySize)
	if _, err := rand.Read(key); err != nil {
		return nil, err
	}
	if a.secret, err = vault.KeyFile(key); err != nil {
		return nil, err
	}
	if err := a.openClinic(ctx, running); err != nil {
		return nil, err
	}
	if err := a.stock(ctx); err != nil {
		return nil, err
	}
	if err := a.openLaptop(ctx, running, listen, pages); err != nil {
		return nil, err
	}
	a.parts.Go(func() { a.direct(running) })
	a.parts.Go(func() { a.watchReal(running) })
	return a, nil
}

func (a *act) data(name string) string { return filepath.Join(a.folder.dir, name) }

// openClinic founds the practice and starts its server.
func (a *act) openClinic(ctx, running context.Context) error {
	data, log := a.data("clinic"), a.stage.cfg.Log.With("rehearsal", "clinic")
	_, err := server.Init(ctx, server.InitConfig{
		Data: data, Secret: &a.secret, Practice: say.Text("rehearsal.practice"), Zone: a.stage.cfg.Zone, Owner: owner, Name: "clinic",
		IggUnit: pb.IggUnit_IGG_UNIT_G_PER_L, Clock: a.clock, Rehearsal: true,
	})
	if err != nil {
		return err
	}
	_, err = a.start(running, func(ready func(string)) error {
		return server.Run(running, server.Config{
			Data: data, Secret: &a.secret, Listen: "127.0.0.1:0", StateEvery: stateEvery, Clock: a.clock, Log: log, Ready: ready,
		})
	})
	if err != nil {
		return err
	}
	door, err := local.OfData(data)
	if err != nil {
		return err
	}
	target, options := door.Target()
	if a.hub, err = grpc.NewClient(target, options...); err != nil {
		return err
	}
	a.wire, err = wire.New(door.Address)
	return err
}

// stateEvery is how soon the clinic says what it holds: soon, so that it is seen.
const stateEvery = 500 * time.Millisecond

// openLaptop lets a laptop in for the vet and starts its agent. It waits until the
// laptop has what the clinic has.
func (a *act) openLaptop(ctx, running context.Context, listen, pages string) error {
	invited, err := pb.NewHubServiceClient(a.hub).Invite(ctx, &pb.InviteRequest{Person: vet})
	if err != nil {
		return err
	}
	code, err := invite.ParseCode(invited.Code)
	if err != nil {
		return err
	}
	cfg := agent.Config{
		Data: a.data("laptop"), Secret: &a.secret, Server: a.wire.Address(), Listen: listen, Pages: pages, Name: "rehearsal laptop",
		Clock: a.clock, Log: a.stage.cfg.Log.With("rehearsal", "laptop"),
	}
	if _, err := agent.Enrol(ctx, cfg, code); err != nil {
		return err
	}
	opens := make(chan string, 1)
	cfg.PagesReady = func(url string) { opens <- url }
	cfg.Opened = func(r *replica.Replica) { a.laptop, r.Script = r, a }
	a.place.Address, err = a.start(running, func(ready func(string)) error {
		cfg.Ready = ready
		return agent.Run(running, cfg)
	})
	if err != nil {
		return err
	}
	select {
	case a.place.Pages = <-opens:
	case <-time.After(patience):
		return errors.New("its pages did not open")
	case <-ctx.Done():
		return ctx.Err()
	}
	return a.arrives(ctx)
}

// patience bounds each wait while a rehearsal begins.
const patience = 60 * time.Second

// start runs one of the two programs and waits until it answers. One that ends by
// itself ends the rehearsal.
func (a *act) start(running context.Context, run func(ready func(string)) error) (address string, err error) {
	said, ended := make(chan string, 1), make(chan error, 1)
	a.parts.Go(func() {
		err := run(func(addr string) { said <- addr })
		ended <- err
		if running.Err() == nil {
			a.stage.end(fmt.Errorf("a part of the rehearsal ended by itself: %w", err))
		}
	})
	select {
	case address = <-said:
		return address, nil
	case err = <-ended:
		return "", fmt.Errorf("a part of the rehearsal did not start: %w", err)
	case <-time.After(patience):
		return "", errors.New("a part of the rehearsal did not say where it answers")
	}
}

// arrives waits until the laptop holds all that the clinic holds.
func (a *act) arrives(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	hub := pb.NewAuditServiceClient(a.hub)
	for {
		books, err := hub.GetStatus(ctx, &pb.GetStatusRequest{})
		if err != nil {
			return err
		}
		if a.laptop.Store.Records() >= books.Records {
			return nil
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("its laptop did not get the stock: %w", ctx.Err())
		case <-a.laptop.Store.Changed():
		case <-time.After(50 * time.Millisecond):
		}
	}
}

// close ends both programs and takes the folder off the disk.
func (a *act) close() error {
	a.stop()
	a.parts.Wait()
	if a.hub != nil {
		_ = a.hub.Close() // nothing is under way any more
	}
	if a.wire != nil {
		a.wire.Close()
	}
	return a.folder.remove()
}

// wake tells open pages that the scene may have changed.
func (a *act) wake() {
	a.mu.Lock()
	defer a.mu.Unlock()
	close(a.changed)
	a.changed = make(chan struct{})
}

// Changed implements replica.Script.
func (a *act) Changed() <-chan struct{} {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.changed
}

// longest is the longest time that is let pass at once.
const longest = time.Hour

// Pass implements replica.Script.
func (a *act) Pass(d time.Duration) {
	a.clock.Advance(min(max(d, 0), longest))
	a.wake()
}

// Again implements replica.Script.
func (a *act) Again(ctx context.Context) (string, error) { return a.stage.again(ctx, a) }

// End implements replica.Script.
func (a *act) End() {
	a.stage.closing.Go(func() {
		a.stage.later()
		a.stage.end(nil)
	})
}

// host is what an address opens, without its one-time code.
func host(address string) string {
	u, err := url.Parse(address)
	if err != nil {
		return ""
	}
	return u.Scheme + "://" + u.Host
}
