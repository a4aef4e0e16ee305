package server

import (
	"context"
	"errors"
	"io"
	"net"
	"path/filepath"
	"time"

	proxyproto "github.com/pires/go-proxyproto"

	"thawtrail/internal/refusal"
	"thawtrail/internal/store"
	"thawtrail/internal/store/pg"
	"thawtrail/internal/trust"
	"thawtrail/internal/wholefile"
)

// Several processes may serve the practices of one database. A link may come to any of them:
// one whose practice another process has open is handed on to that one, byte by byte, behind a
// header that says whose it is. Nothing of it is read but the name that it asks for, and it is
// handed on once at most.

// relayedMark stands in the header of a link that another process handed on: a type that the
// PROXY protocol leaves to programs (section 2.2.7 of its specification, version 2).
const relayedMark proxyproto.PP2Type = 0xE0

const (
	// reachesWithin is how long another process may take to accept a link.
	reachesWithin = time.Second
	// outlasts is how long past the end of a dead process's lease a link waits here.
	outlasts = 5 * time.Second
)

var (
	errElsewhere = errors.New("another process has this practice open, and it cannot be handed on to that one")
	errTwice     = errors.New("another process has this practice open: give the command there")
)

// lookInDatabase finds the practices of the database.
func (h *host) lookInDatabase(ctx context.Context) {
	list, err := h.cfg.Database.Practices(ctx, mostHosted)
	if err != nil {
		h.cfg.Log.Error("the practices of the database cannot be listed", "error", err)
		return
	}
	for _, one := range list {
		if h.knows(one.Name) {
			continue
		}
		if one.Name != filepath.Base(one.Name) || !filepath.IsLocal(one.Name) {
			h.cfg.Log.Error("a practice is not served: its name cannot be that of a folder", "practice", one.Name)
			continue
		}
		p := &hosted{name: one.Name, dir: filepath.Join(h.cfg.Practices, one.Name), print: one.Print}
		p.kept = indexOf(p)
		err := wholefile.MakeFolder(p.dir)
		if err == nil {
			err = h.put(ctx, p)
		}
		if err != nil {
			h.cfg.Log.Error("a practice is not served", "practice", one.Name, "error", err)
		}
	}
}

// mostHosted bounds the practices of one process; more are divided among databases.
const mostHosted = 10_000

// deliver hands a link to its practice, wherever that is open. One that was handed on already,
// or comes from a command of this machine, goes no further.
func (h *host) deliver(ctx context.Context, p *hosted, conn net.Conn, last bool) {
	if h.cfg.Database == nil {
		h.enter(ctx, p, conn)
		return
	}
	began := h.cfg.Clock.Monotonic()
	for {
		address, held, err := h.elsewhere(ctx, p)
		switch {
		case err != nil:
			h.refuse(p, conn, err)
			return
		case !held:
			h.enter(ctx, p, conn)
			return
		case last:
			h.refuse(p, conn, errTwice)
			return
		case address != "" && h.relay(ctx, p, conn, address):
			return
		case h.cfg.Clock.Monotonic()-began > outlasts || ctx.Err() != nil:
			h.refuse(p, conn, errElsewhere)
			return
		}
		select {
		case <-ctx.Done():
		case <-time.After(asksForLease):
		}
	}
}

// elsewhere says that another process has a practice open, and at which address.
func (h *host) elsewhere(ctx context.Context, p *hosted) (address string, held bool, err error) {
	h.mu.Lock()
	here := p.run != nil
	h.mu.Unlock()
	if here {
		return "", false, nil
	}
	address, held, err = h.cfg.Database.Holder(ctx, p.name)
	return address, held && address != h.cfg.Reached, err // what this process has left open is its own
}

// relay hands a link on; false says that the other process cannot be reached.
func (h *host) relay(ctx context.Context, p *hosted, conn net.Conn, address string) bool {
	dialer := net.Dialer{Timeout: reachesWithin, LocalAddr: h.ownAddress()}
	other, err := dialer.DialContext(ctx, "tcp", address)
	if err != nil {
		h.cfg.Log.Debug("another process cannot be reached", "practice", p.name, "address", address, "error", err)
		return false
	}
	header := proxyproto.HeaderProxyFromAddrs(2, conn.RemoteAddr(), conn.LocalAddr())
	err = header.SetTLVs([]proxyproto.TLV{{Type: relayedMark, Value: []byte{1}}})
	if err == nil {
		_, err = header.WriteTo(other)
	}
	if err != nil {
		_ = other.Close()
		return false
	}
	h.relayed.Inc()
	h.runs.Go(func() {
		defer h.relayed.Dec()
		carry(ctx, conn, other)
	})
	return true
}

// ownAddress is from where other processes are called: from where they know this one, when it
// listens there alone.
func (h *host) ownAddress() net.Addr {
	if own, ok := h.listener.Addr().(*net.TCPAddr); ok && !own.IP.IsUnspecified() {
		return &net.TCPAddr{IP: own.IP}
	}
	return nil
}

// carry carries bytes both ways until either end is closed or ctx ends.
func carry(ctx context.Context, a, b net.Conn) {
	closed := func() {
		_ = a.Close()
		_ = b.Close()
	}
	defer context.AfterFunc(ctx, closed)()
	done := make(chan struct{})
	go func() {
		defer close(done)
		_, _ = io.Copy(a, b) // whatever ends it ends both
		closed()
	}()
	_, _ = io.Copy(b, a)
	closed()
	<-done
}

// handedOn says that a link comes from another process.
func handedOn(conn *proxyproto.Conn) bool {
	header := conn.ProxyHeader()
	if header == nil {
		return false
	}
	marks, err := header.TLVs()
	for _, m := range marks {
		if m.Type == relayedMark {
			return true
		}
	}
	return err != nil // what cannot be understood is not handed on again
}

// reached fills in where other processes reach this one.
func (h *host) reached() error {
	if h.cfg.Database == nil {
		return nil
	}
	own := h.listener.Addr().(*net.TCPAddr)
	if h.cfg.Reached == "" && own.IP.IsUnspecified() {
		return refusal.New("reached", "", "--reached ADDRESS: where the other processes of this database reach this one, such as 10.0.0.7:4270").
			Because("--listen names every address of this machine, which says none to them")
	}
	if h.cfg.Reached == "" {
		h.cfg.Reached = own.String()
	}
	return nil
}

// leasedRun serves a practice out of the database for as long as it is this process's.
func (h *host) leasedRun(ctx context.Context, p *hosted, serve func(context.Context, trust.Place) error) error {
	lease, err := h.cfg.Database.Take(ctx, p.name, h.cfg.Reached)
	if err != nil {
		return err
	}
	return underLease(ctx, lease, lease.Cut(), func(ctx context.Context) error { return serve(ctx, leased(p.dir, lease)) })
}

// another says that a practice did not open, or ended, because it is another process's.
func another(err error) bool {
	var held *pg.Held
	return errors.As(err, &held) || errors.Is(err, store.ErrFenced)
}
