package agent

import (
	"context"
	"log/slog"
	"slices"
	"strings"
	"sync"

	"thawtrail/internal/replication"
	pb "thawtrail/proto/thawtrail/v1"
)

// Addresses are those of the clinic's server in a setting: inside the clinic and outside,
// divided by commas.
func Addresses(setting string) (out []string) {
	for a := range strings.SplitSeq(setting, ",") {
		if a = strings.TrimSpace(a); a != "" {
			out = append(out, a)
		}
	}
	return out
}

// route is the way to the clinic's server over one of several addresses. They are tried in
// turn, and the one that answers is stayed with until its link ends. Addresses that
// answered are remembered for the starts that name none.
type route struct {
	dial     func(address string, arrived func()) (replication.Peer, error)
	remember func(setting string) error
	log      *slog.Logger

	mu      sync.Mutex // guards what follows
	setting string     // all addresses
	kept    string     // those that are remembered
	next    int        // the address to be tried
	current *onRoute   // the last link that was made
}

// onRoute is a link over one address.
type onRoute struct {
	replication.Peer
	route   *route
	address string
}

// Dial implements replication.Dial.
func (r *route) Dial(arrived func()) (replication.Peer, error) {
	all := Addresses(r.now())
	r.mu.Lock()
	address := all[r.next%len(all)]
	r.next++ // until it answers
	r.mu.Unlock()
	peer, err := r.dial(address, arrived)
	if err != nil {
		return nil, err
	}
	p := &onRoute{peer, r, address}
	r.mu.Lock()
	r.current = p
	r.mu.Unlock()
	return p, nil
}

// addresses are all of them, beginning with the one that answered last.
func (r *route) addresses() []string {
	r.mu.Lock()
	defer r.mu.Unlock()
	all := Addresses(r.setting)
	if len(all) == 0 {
		return nil
	}
	at := r.next % len(all)
	return slices.Concat(all[at:], all[:at])
}

func (r *route) now() string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.setting
}

// Hello stays with an address that answers, and remembers its setting: whoever answered has
// proven to be the practice's server.
func (p *onRoute) Hello(ctx context.Context, req *pb.HelloRequest) (*pb.HelloResponse, error) {
	out, err := p.Peer.Hello(ctx, req)
	if err == nil {
		p.route.answered(p.address)
	}
	return out, err
}

func (r *route) answered(address string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	all := Addresses(r.setting)
	if i := slices.Index(all, address); i >= 0 {
		r.next = i
	}
	if r.setting == r.kept || !slices.Contains(all, address) {
		return
	}
	if err := r.remember(r.setting); err != nil {
		r.log.Warn("the server's address could not be written down; it counts for this run", "address", r.setting, "error", err)
		return
	}
	r.kept = r.setting
}

// change takes other addresses. A link over one that is no longer among them ends.
func (r *route) change(setting string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if len(Addresses(setting)) == 0 || setting == r.setting {
		return
	}
	r.setting, r.next = setting, 0
	if r.current != nil && !slices.Contains(Addresses(setting), r.current.address) {
		_ = r.current.Close() // its session ends, and the next one dials anew
	}
}

// follow takes every change that is told, until ctx ends.
func (r *route) follow(ctx context.Context, told <-chan string) error {
	for {
		select {
		case <-ctx.Done():
			return nil
		case setting := <-told:
			r.change(setting)
		}
	}
}
