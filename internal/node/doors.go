package node

import (
	"context"
	"errors"
	"net"
	"path/filepath"

	"golang.org/x/sync/errgroup"

	"thawtrail/internal/refusal"
	"thawtrail/internal/trust"
	"thawtrail/internal/trust/phones"
	"thawtrail/internal/web"
)

// door is an address behind the journal at which people or monitors come in, and the
// part that serves them there.
type door struct {
	part  string
	open  func() (net.Listener, error)
	serve func(context.Context, net.Listener) error
}

// doors are those that were asked for.
func (n *Node) doors() (out []door) {
	if n.Metrics != "" {
		out = append(out, door{partMetrics, func() (net.Listener, error) { return trust.Listen("metrics", n.Metrics) }, n.serveMetrics})
	}
	network := func() (net.Listener, error) {
		l, err := trust.ListenAny(n.NetworkSetting, n.Network)
		if err == nil {
			n.Phones.Listen(l.Addr())
		}
		return l, err
	}
	if n.Network != "" && onePort(n.Pages, n.Network) {
		return append(out, door{partPages, network, n.serveBoth})
	}
	if n.Pages != "" {
		out = append(out, door{partPages, func() (net.Listener, error) { return trust.Listen("pages", n.Pages) }, n.servePages})
	}
	if n.Network != "" {
		out = append(out, door{partPaired, network, n.servePaired})
	}
	return out
}

// onePort says that pages for this machine and for others have one port on every address,
// so that they have one listener.
func onePort(pages, network string) bool {
	_, a, _ := net.SplitHostPort(pages)
	host, b, _ := net.SplitHostPort(network)
	ip := net.ParseIP(host)
	return a == b && (host == "" || ip != nil && ip.IsUnspecified())
}

// openDoors tries each door once before the program says that it answers. An address that
// nobody can open is refused by its setting. One that is taken, or whose network is not
// there yet, stops nothing: it is told, and tried again by its part.
func (n *Node) openDoors() (parts []Part, err error) {
	var open []net.Listener
	for _, d := range n.doors() {
		l, err := d.open()
		if _, wrong := refusal.As(err); wrong {
			for _, l := range open {
				err = errors.Join(err, l.Close())
			}
			return nil, err
		}
		if err != nil {
			n.fails(d.part, err, firstTry)
		} else {
			open = append(open, l)
		}
		parts = append(parts, Part{d.part, d.from(l)})
	}
	return parts, nil
}

// from serves on a listener that is open, or after a pause where none could be opened, and
// later on those that it opens itself.
func (d door) from(l net.Listener) func(context.Context) error {
	first := true
	return func(ctx context.Context) (err error) {
		at := l
		l = nil
		if at == nil && first && !sleep(ctx, firstTry) {
			return nil
		}
		first = false
		if at == nil {
			if at, err = d.open(); err != nil {
				return err
			}
		}
		defer at.Close() // who serves has closed it, but where it could not begin
		return d.serve(ctx, at)
	}
}

// site makes the pages once, for whichever door opens first.
func (n *Node) site() (*web.Site, error) {
	n.pagesMu.Lock()
	defer n.pagesMu.Unlock()
	var err error
	if n.madeSite == nil {
		n.madeSite, err = web.New(web.Config{
			Replica: n.Replica, Clock: n.Clock, Log: n.Log, Opens: n.Opens, URLFile: filepath.Join(n.Data, "page.url"), Secret: n.PagesSecret,
			Pages: n.pages, Invites: n.Invites, Phones: n.Phones, PhoneTLS: n.PhoneTLS,
		})
	}
	return n.madeSite, err
}

// servePages serves this machine's browsers until ctx ends.
func (n *Node) servePages(ctx context.Context, l net.Listener) error {
	s, err := n.site()
	if err != nil {
		return err
	}
	return s.Serve(ctx, l, n.PagesReady)
}

// servePaired serves browsers and phones of the network that are paired.
func (n *Node) servePaired(ctx context.Context, l net.Listener) error {
	s, err := n.site()
	if err != nil {
		return err
	}
	if n.NetworkReady != nil {
		n.NetworkReady(l.Addr().String())
	}
	return s.ServePhones(ctx, l)
}

// serveBoth serves both at one port.
func (n *Node) serveBoth(ctx context.Context, l net.Listener) error {
	here, network := phones.Apart(l)
	group, ctx := errgroup.WithContext(ctx)
	group.Go(func() error { return n.servePages(ctx, here) })
	group.Go(func() error { return n.servePaired(ctx, network) })
	return group.Wait()
}
