package phones

import (
	"net"
	"sync"
)

// Bounds of the connections from the network. A phone's browser opens one over
// HTTP/2, and at most six over HTTP/1.1 (common practice).
const (
	maxConns   = 96
	maxConnsOf = 16 // from one address
)

// bounded closes connections that are too many as soon as they come.
type bounded struct {
	net.Listener

	mu   sync.Mutex
	from map[string]int // guarded by mu
	all  int            // guarded by mu
}

// Bounded bounds how many connections of a listener are open, in all and from one
// address, so that a stranger cannot take every place.
func Bounded(l net.Listener) net.Listener { return &bounded{Listener: l, from: map[string]int{}} }

// Accept implements net.Listener.
func (b *bounded) Accept() (net.Conn, error) {
	for {
		c, err := b.Listener.Accept()
		if err != nil {
			return nil, err
		}
		from, _, err := net.SplitHostPort(c.RemoteAddr().String())
		if err == nil && b.enter(from) {
			return &counted{Conn: c, leave: func() { b.leave(from) }}, nil
		}
		_ = c.Close() // turned away, however it ends
	}
}

func (b *bounded) enter(from string) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.all >= maxConns || b.from[from] >= maxConnsOf {
		return false
	}
	b.all++
	b.from[from]++
	return true
}

func (b *bounded) leave(from string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.all--
	if b.from[from]--; b.from[from] == 0 {
		delete(b.from, from)
	}
}

// counted is a connection that gives its place back when it closes.
type counted struct {
	net.Conn
	once  sync.Once
	leave func()
}

// Close implements net.Conn.
func (c *counted) Close() error {
	c.once.Do(c.leave)
	return c.Conn.Close()
}
