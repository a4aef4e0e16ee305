package authority

import (
	"crypto/ed25519"
	"errors"
	"net"
	"sync"
	"sync/atomic"
	"time"
)

// Bounds of what strangers can hold open.
const (
	maxShakes    = 1024             // handshakes at once
	maxShakesOf  = 32               // of them from one address
	maxStrangers = 32               // enrolment links at once
	maxProbes    = 32               // links at once that ask for health alone
	strangerTime = 60 * time.Second // neither lives longer
	maxOfDevice  = 8                // links of one device at once; a phone of each of its people, and spares
)

// Links knows every open TLS link, so that a laptop that is shut out is cut off
// at once. The zero value is empty.
type Links struct {
	mu        sync.Mutex
	open      map[string]map[*tracked]struct{} // guarded by mu; by device key
	strangers int                              // guarded by mu
	probes    int                              // guarded by mu

	shakes Handshakes
	made   atomic.Uint64 // links so far
}

// Handshakes counts those that are under way. The zero value is none.
type Handshakes struct {
	mu  sync.Mutex
	of  map[string]int // guarded by mu; by address
	all int            // guarded by mu
}

// tracked is a link that leaves the table when it closes.
type tracked struct {
	net.Conn
	leave func()
	once  sync.Once
}

// Close implements net.Conn.
func (t *tracked) Close() error {
	t.once.Do(t.leave)
	return t.Conn.Close()
}

// Counted is a link that says, once, that it has closed.
func Counted(conn net.Conn, leave func()) net.Conn { return &tracked{Conn: conn, leave: leave} }

// Begin counts a handshake that begins. One address cannot take the places of all others by
// beginning many and finishing none.
func (h *Handshakes) Begin(from string) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.all >= maxShakes || h.of[from] >= maxShakesOf {
		return false
	}
	if h.of == nil {
		h.of = map[string]int{}
	}
	h.of[from]++
	h.all++
	return true
}

// End is told of each that Begin let in.
func (h *Handshakes) End(from string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.all--
	if h.of[from]--; h.of[from] == 0 {
		delete(h.of, from)
	}
}

// enter puts a link into the table. A device is looked up again once its link is
// in: one that is shut out meanwhile is either seen here or found by Sweep.
func (l *Links) enter(conn net.Conn, c Caller, members Members) (net.Conn, error) {
	switch c.Way {
	case ByDevice:
		t, err := l.enterDevice(conn, string(c.Device))
		if err == nil && !members.Admitted(c.Device) {
			err = errors.Join(errors.New("this laptop was shut out"), t.Close())
		}
		return t, err
	case ByEnrolment, ByUnknown:
		return l.enterBriefly(conn, &l.strangers, maxStrangers, "too many laptops that nobody here knows have a link")
	case ByProbe:
		return l.enterBriefly(conn, &l.probes, maxProbes, "too many links ask whether this program is up")
	}
	return conn, nil
}

func (l *Links) enterDevice(conn net.Conn, key string) (*tracked, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if len(l.open[key]) >= maxOfDevice {
		return nil, errors.New("this laptop has too many links open")
	}
	if l.open == nil {
		l.open = map[string]map[*tracked]struct{}{}
	}
	if l.open[key] == nil {
		l.open[key] = map[*tracked]struct{}{}
	}
	t := &tracked{Conn: conn}
	t.leave = func() { l.leaveDevice(key, t) }
	l.open[key][t] = struct{}{}
	return t, nil
}

func (l *Links) leaveDevice(key string, t *tracked) {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.open[key], t)
	if len(l.open[key]) == 0 {
		delete(l.open, key)
	}
}

// enterBriefly takes one of the places of those who prove nothing. Each kind has its own:
// monitors keep no laptop from joining.
func (l *Links) enterBriefly(conn net.Conn, places *int, most int, full string) (net.Conn, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if *places >= most {
		return nil, errors.New(full)
	}
	*places++
	t := &tracked{Conn: conn}
	end := time.AfterFunc(strangerTime, func() { _ = t.Close() }) // its reader sees the end
	t.leave = func() {
		end.Stop()
		l.mu.Lock()
		defer l.mu.Unlock()
		*places--
	}
	return t, nil
}

// Kick cuts every link of a device and says how many there were.
func (l *Links) Kick(device ed25519.PublicKey) int {
	return l.cut(func(key string) bool { return key == string(device) })
}

// Sweep cuts the links of all devices that are not admitted any more.
func (l *Links) Sweep(members Members) int {
	return l.cut(func(key string) bool { return !members.Admitted(ed25519.PublicKey(key)) })
}

func (l *Links) cut(which func(key string) bool) int {
	l.mu.Lock()
	var out []*tracked
	for key, links := range l.open {
		if which(key) {
			for t := range links {
				out = append(out, t)
			}
		}
	}
	l.mu.Unlock()
	for _, t := range out {
		_ = t.Close() // cut, however it ends
	}
	return len(out)
}

// Len counts the links of admitted devices.
func (l *Links) Len() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	n := 0
	for _, links := range l.open {
		n += len(links)
	}
	return n
}
