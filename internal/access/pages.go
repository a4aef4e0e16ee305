package access

import (
	"context"
	"sync"
	"time"

	"thawtrail/internal/query"
	"thawtrail/internal/refusal"
	"thawtrail/internal/replica"
	pb "thawtrail/proto/thawtrail/v1"
)

// Pages hands out one-time addresses of the pages of this machine, while they are
// served.
type Pages struct {
	query.Reader

	mu   sync.Mutex
	make func() ([]Way, time.Time, error) // guarded by mu; nil while no pages are served
}

// Way opens one part of the pages, once.
type Way struct{ Part, URL string }

// Served says that pages are served from now on, and how addresses of them are made;
// ended is called when they are not any more.
func (p *Pages) Served(ways func() ([]Way, time.Time, error)) (ended func()) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.make = ways
	return func() {
		p.mu.Lock()
		defer p.mu.Unlock()
		p.make = nil
	}
}

// OpenPages makes a fresh address of each part.
func (p *Pages) OpenPages(ctx context.Context, _ *pb.OpenPagesRequest) (*pb.OpenPagesResponse, error) {
	p.mu.Lock()
	ways := p.make
	p.mu.Unlock()
	if ways == nil {
		return nil, refusal.Fail(refusal.ErrUnready, "this program serves no pages now: it was started without --pages ADDRESS, or that address is taken, which its log says")
	}
	made, until, err := ways()
	if err != nil {
		return nil, err
	}
	out := &pb.OpenPagesResponse{}
	for _, w := range made {
		out.Pages = append(out.Pages, &pb.PageAddress{Part: w.Part, Url: w.URL})
	}
	return out, p.View(ctx, func(v *query.ReadView) error {
		out.ExpiresAt = v.Stamp(until.UnixMilli())
		return nil
	})
}

// Stamp writes an instant in the practice's zone, as RFC 3339 has it.
func Stamp(ctx context.Context, r *replica.Replica, at time.Time) (stamp string, err error) {
	err = query.Reader{Replica: r}.View(ctx, func(v *query.ReadView) error {
		stamp = v.Stamp(at.UnixMilli())
		return nil
	})
	return stamp, err
}
