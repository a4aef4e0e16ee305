package server

import (
	"context"
	"errors"
	"slices"
	"time"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/ledger"
	"thawtrail/internal/store"
)

// statements makes a signed statement whenever records came in, at most one in
// every interval, until ctx ends. The hub's own logs are left out: a statement
// would call for the next one.
func (h *hub) statements(ctx context.Context, every time.Duration) error {
	book, err := h.readBook(ctx)
	if err != nil {
		return err
	}
	tick := time.NewTicker(every)
	defer tick.Stop()
	for {
		if err := h.state(ctx, &book); err != nil && ctx.Err() == nil && !errors.Is(err, store.ErrClosed) {
			// A full disk must not end the server: the next tick tries again.
			h.log.Error("hub statement", "error", err)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// readBook adds up the statements of this epoch from the folded logs.
func (h *hub) readBook(ctx context.Context) (exchange.Book, error) {
	book := exchange.Book{Epoch: h.epoch, Tips: map[event.LogID]exchange.Tip{}}
	err := h.replica.Store.View(ctx, func(v *store.Snapshot) error {
		return v.Each(event.KindLog, func(s ledger.State) (bool, error) {
			l := s.(*ledger.Log)
			if a := l.Accepted; a != nil && string(a.HubEpoch) == h.epoch {
				book.Tips[a.Tip.Log] = exchange.Tip{Seq: a.Tip.Seq, Hash: a.Tip.Hash}
				book.Number = max(book.Number, a.Number)
				book.WallUs = max(book.WallUs, a.HubMs*1000)
			}
			return true, nil
		})
	})
	return book, err
}

// state makes one statement when something moved since the last.
func (h *hub) state(ctx context.Context, book *exchange.Book) error {
	s := h.replica.Store
	own := s.OwnLogs()
	held := slices.DeleteFunc(s.Held(), func(l exchange.HeldLog) bool { return slices.Contains(own, l.Log) })
	next, moved := book.Next(h.epoch, h.replica.Clock.Now().UnixMicro(), held, func(id event.LogID) int64 {
		l, _ := s.Log(id)
		return l.WallUs
	})
	if !moved {
		return nil
	}
	if _, err := s.Append(ctx, store.Draft{Type: event.TypeHubStatement, Payload: next.PB()}); err != nil {
		return err
	}
	for _, f := range book.Add(next) {
		h.log.Warn("hub statement", "fault", f.Fault.String(), "log", f.Log.Short())
	}
	return nil
}
