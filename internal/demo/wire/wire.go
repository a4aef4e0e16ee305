// Package wire is a network between two programs of this machine that can be cut
// and mended: what a barn without a signal is to a laptop.
package wire

import (
	"errors"
	"io"
	"net"
	"sync"
	"sync/atomic"
)

// Wire is the network between one laptop and the clinic: a TCP relay. While it is
// cut no byte passes: open connections are reset and new ones are dropped as they
// come. While it is ill, bytes travel as the illness lets them.
type Wire struct {
	listener net.Listener
	target   string
	refused  atomic.Int64
	passed   atomic.Int64
	illness  atomic.Pointer[Illness]
	all      sync.WaitGroup

	mu    sync.Mutex
	up    bool
	conns map[net.Conn]bool
}

// Illness passes on what was read in one piece, or a part of it, now or later. An
// error breaks the connection; ErrSilent leaves it open, and nothing passes any more
// in that direction.
type Illness func(to io.Writer, piece []byte) error

// ErrSilent is the illness of a path that swallows all without a word.
var ErrSilent = errors.New("nothing passes any more")

// Suffer lets an illness begin on connections old and new; nil ends it. What fell
// silent stays so.
func (w *Wire) Suffer(i Illness) {
	if i == nil {
		w.illness.Store(nil)
		return
	}
	w.illness.Store(&i)
}

// New lays a wire to an address, whole.
func New(target string) (*Wire, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	w := &Wire{listener: l, target: target, up: true, conns: map[net.Conn]bool{}}
	w.all.Go(w.accept)
	return w, nil
}

// Address is this end of the wire.
func (w *Wire) Address() string { return w.listener.Addr().String() }

// Passed counts the connections let through since the wire was whole.
func (w *Wire) Passed() int64 { return w.passed.Load() }

// Refused counts the tries while it was cut.
func (w *Wire) Refused() int64 { return w.refused.Load() }

func (w *Wire) accept() {
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
func (w *Wire) add(conn net.Conn) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.up {
		w.conns[conn] = true
	}
	return w.up
}

func (w *Wire) drop(conn net.Conn) {
	w.mu.Lock()
	defer w.mu.Unlock()
	delete(w.conns, conn)
	_ = conn.Close() // a second close is no news
}

func (w *Wire) relay(conn net.Conn) {
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
		w.pass(to, from)
		reset(to)
		reset(from)
	}
	pumps.Go(func() { pump(far, conn) })
	pumps.Go(func() { pump(conn, far) })
	pumps.Wait()
}

// pass carries bytes one way until the connection breaks.
func (w *Wire) pass(to, from net.Conn) {
	for piece := make([]byte, 32<<10); ; {
		n, err := from.Read(piece)
		if err != nil {
			return
		}
		carry := func(to io.Writer, piece []byte) error { _, err := to.Write(piece); return err }
		if ill := w.illness.Load(); ill != nil {
			carry = *ill
		}
		switch err := carry(to, piece[:n]); {
		case errors.Is(err, ErrSilent):
			_, _ = io.Copy(io.Discard, from) // until it is given up
			return
		case err != nil:
			return
		}
	}
}

// reset closes a connection at once; what was on its way is lost, as on a wire
// that is cut.
func reset(conn net.Conn) {
	if tcp, ok := conn.(*net.TCPConn); ok {
		_ = tcp.SetLinger(0) // fails only on what is closed already
	}
	_ = conn.Close()
}

// Cut breaks every connection and lets no new one through.
func (w *Wire) Cut() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.up = false
	for conn := range w.conns {
		reset(conn)
	}
}

// Restore lets connections through again; what broke stays broken.
func (w *Wire) Restore() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.passed.Store(0)
	w.up = true
}

// Close ends the relay and waits for its goroutines.
func (w *Wire) Close() {
	_ = w.listener.Close() // a second close is no news
	w.Cut()
	w.all.Wait()
}
