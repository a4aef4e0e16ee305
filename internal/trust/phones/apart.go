package phones

import (
	"net"
	"sync"
)

// Apart gives a listener on every address of a machine two faces: what comes in on the
// machine's own loopback, and what comes from the network. Closing either closes both. So
// one port serves the machine's own browser in clear and all others over TLS.
func Apart(l net.Listener) (here, network net.Listener) {
	p := &parted{l: l, done: make(chan struct{})}
	a, b := &face{parted: p, conns: make(chan net.Conn)}, &face{parted: p, conns: make(chan net.Conn)}
	go p.accept(a.conns, b.conns)
	return a, b
}

// parted is a listener with two faces.
type parted struct {
	l    net.Listener
	once sync.Once
	done chan struct{} // closed when nothing is accepted any more
	err  error         // why; written before done is closed
}

func (p *parted) accept(here, network chan<- net.Conn) {
	for {
		c, err := p.l.Accept()
		if err != nil {
			p.end(err)
			return
		}
		to := network
		if ofThisMachine(c.LocalAddr()) && ofThisMachine(c.RemoteAddr()) {
			to = here
		}
		select {
		case to <- c:
		case <-p.done:
			_ = c.Close() // nobody answers it any more
		}
	}
}

func (p *parted) end(err error) {
	p.once.Do(func() {
		p.err = err
		close(p.done)
	})
}

func ofThisMachine(a net.Addr) bool {
	at, ok := a.(*net.TCPAddr)
	return ok && at.IP.IsLoopback()
}

// face is one of the two.
type face struct {
	*parted
	conns chan net.Conn
}

// Accept implements net.Listener.
func (f *face) Accept() (net.Conn, error) {
	select {
	case c := <-f.conns:
		return c, nil
	case <-f.done:
		return nil, f.err
	}
}

// Close implements net.Listener.
func (f *face) Close() error {
	f.end(net.ErrClosed)
	return f.l.Close()
}

// Addr implements net.Listener.
func (f *face) Addr() net.Addr { return f.l.Addr() }
