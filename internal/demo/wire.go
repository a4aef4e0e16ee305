package demo

import (
	"io"
	"net"
	"sync"
	"sync/atomic"
)

// wire is the network between one laptop and the clinic: a TCP relay that can be
// cut. While it is cut no byte passes: open connections are reset and new ones
// are dropped as they come.
type wire struct {
	listener net.Listener
	target   string
	refused  atomic.Int64 // tries while it was cut
	passed   atomic.Int64 // connections let through since it was whole
	all      sync.WaitGroup

	mu    sync.Mutex
	up    bool
	conns map[net.Conn]bool
}

func newWire(target string) (*wire, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	w := &wire{listener: l, target: target, up: true, conns: map[net.Conn]bool{}}
	w.all.Go(w.accept)
	return w, nil
}

func (w *wire) address() string { return w.listener.Addr().String() }

func (w *wire) accept() {
	for {
		conn, err := w.listener.Accept()
		if err != nil {
			return
		}
		if !w.add(conn) {
			w.refused.Add(1)
			reset(conn)
			continue
		}
		w.passed.Add(1)
		w.all.Go(func() { w.relay(conn) })
	}
}

// add remembers a connection, unless the wire is cut.
func (w *wire) add(conn net.Conn) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.up {
		w.conns[conn] = true
	}
	return w.up
}

func (w *wire) drop(conn net.Conn) {
	w.mu.Lock()
	defer w.mu.Unlock()
	delete(w.conns, conn)
	_ = conn.Close() // a second close is no news
}

func (w *wire) relay(conn net.Conn) {
	defer w.drop(conn)
	far, err := net.Dial("tcp", w.target)
	if err != nil {
		return
	}
	defer w.drop(far)
	if !w.add(far) {
		return
	}
	var pumps sync.WaitGroup
	pump := func(to, from net.Conn) {
		_, _ = io.Copy(to, from) // a broken relay is what the wire is for
		reset(to)
		reset(from)
	}
	pumps.Go(func() { pump(far, conn) })
	pumps.Go(func() { pump(conn, far) })
	pumps.Wait()
}

// reset closes a connection at once; what was on its way is lost, as on a wire
// that is cut.
func reset(conn net.Conn) {
	if tcp, ok := conn.(*net.TCPConn); ok {
		_ = tcp.SetLinger(0) // fails only on what is closed already
	}
	_ = conn.Close()
}

// cut breaks every connection and lets no new one through.
func (w *wire) cut() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.up = false
	for conn := range w.conns {
		reset(conn)
	}
}

func (w *wire) restore() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.passed.Store(0)
	w.up = true
}

// close ends the relay and waits for its goroutines.
func (w *wire) close() {
	_ = w.listener.Close() // a second close is no news
	w.cut()
	w.all.Wait()
}
