package server

import (
	"net"
	"sync"
)

// inlet is a listener whose connections come from who has accepted them.
type inlet struct {
	addr  net.Addr
	conns chan net.Conn
	once  sync.Once
	done  chan struct{} // closed when it takes no more
}

func newInlet(addr net.Addr) *inlet {
	return &inlet{addr: addr, conns: make(chan net.Conn), done: make(chan struct{})}
}

// give hands a connection in. One that comes too late is closed.
func (i *inlet) give(conn net.Conn) {
	select {
	case i.conns <- conn:
	case <-i.done:
		_ = conn.Close() // its caller tries again
	}
}

// Accept implements net.Listener.
func (i *inlet) Accept() (net.Conn, error) {
	select {
	case conn := <-i.conns:
		return conn, nil
	case <-i.done:
		return nil, net.ErrClosed
	}
}

// Close implements net.Listener.
func (i *inlet) Close() error {
	i.once.Do(func() { close(i.done) })
	return nil
}

// Addr implements net.Listener.
func (i *inlet) Addr() net.Addr { return i.addr }
