package replication

import (
	"context"
	"encoding/json"
	"log/slog"
	"time"
)

// Memory keeps what a link knows of its server over a restart.
type Memory struct {
	Kept []byte             // what Save was given last; nil: nothing yet
	Save func([]byte) error // nil: it is kept nowhere
}

// known is what a laptop keeps of its server over a restart.
type known struct {
	HubEpoch string `json:"hub_epoch"`
	HeardUs  int64  `json:"heard_us,omitempty"` // when the server was last heard, by this clock
}

// keeper reads what is known of the server, and gives the function that writes it
// down. On a full disk it is not written, and the link goes on. epoch is what the
// index held in former times.
func keeper(m Memory, epoch []byte, log *slog.Logger) (k known, save func(known)) {
	if m.Kept != nil {
		if err := json.Unmarshal(m.Kept, &k); err != nil {
			log.Warn("what this laptop knew of its server cannot be read; it asks anew", "error", err)
		}
	}
	was := k
	if m.Kept == nil {
		k.HubEpoch = string(epoch)
	}
	save = func(now known) {
		if now == was || m.Save == nil {
			return
		}
		data, err := json.Marshal(now)
		if err == nil {
			err = m.Save(data)
		}
		if err != nil {
			log.Warn("when the server was last heard could not be written down", "error", err)
			return
		}
		was = now
	}
	save(k)
	return k, save
}

// keepEvery is how often it is written down that the server is still heard.
const keepEvery = time.Minute

// keepHeard writes down, while a link lasts and at its end, when the server was
// last heard.
func (l *Link) keepHeard(ctx context.Context) error {
	tick := time.NewTicker(keepEvery)
	defer tick.Stop()
	defer l.keep()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
			l.keep()
		}
	}
}

func (l *Link) keep() {
	l.mu.Lock()
	k := known{HubEpoch: l.epoch}
	if !l.heard.IsZero() {
		k.HeardUs = l.heard.UnixMicro()
	}
	l.mu.Unlock()
	l.save(k)
}

// stillThere notes that something came from the server whose hello was heard. On a
// link where nothing happens these are the answers to its own questions whether the
// link still stands.
func (l *Link) stillThere() {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.live {
		l.heard = l.clock.Now()
	}
}

// greeted says whether the server answered a hello and its link still stands. Before
// that, what arrives says nothing about how old this laptop's knowledge is.
func (l *Link) greeted(live bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.live = live
}

// greetings counts the hellos that the server answered since the start.
func (l *Link) greetings() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.sessions
}
