package access

import (
	"context"
	"crypto/ed25519"
	"errors"
	"sync/atomic"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/replica"
	"thawtrail/internal/store"
	"thawtrail/internal/trust/authority"
)

// Members is who is in the practice by the books of a replica: what every
// handshake and every call of another machine is held against. It is kept in
// memory, so that a look costs nothing.
type Members struct {
	replica *replica.Replica
	rights  atomic.Pointer[ledger.Rights]
	links   *authority.Links
}

// NewMembers reads the books of a replica for the first time.
func NewMembers(ctx context.Context, r *replica.Replica, links *authority.Links) (*Members, error) {
	m := &Members{replica: r, links: links}
	return m, m.Refresh(ctx)
}

var _ authority.Members = (*Members)(nil)

// Admitted implements authority.Members.
func (m *Members) Admitted(key ed25519.PublicKey) bool {
	rights := m.rights.Load()
	return rights.Founded() && rights.Admits(event.DeviceID(key))
}

// Refresh looks at the books again and cuts the links of laptops that are not in
// the practice any more.
func (m *Members) Refresh(ctx context.Context) error {
	err := m.replica.Store.View(ctx, func(v *store.Snapshot) error {
		rights, err := v.Rights()
		if err == nil {
			m.rights.Store(rights)
		}
		return err
	})
	if n := m.links.Sweep(m); n > 0 {
		m.replica.Log.Warn("links of laptops that were shut out are cut", "links", n)
	}
	return err
}

// Watch refreshes whenever a record came that touches rights, until ctx ends.
func (m *Members) Watch(ctx context.Context) error {
	for {
		saved, moves := m.replica.Store.Saved(), m.replica.Store.RightsMoves()
		if err := m.Refresh(ctx); err != nil {
			if ctx.Err() != nil || errors.Is(err, store.ErrClosed) {
				return nil
			}
			return err
		}
		for m.replica.Store.RightsMoves() == moves {
			select {
			case <-ctx.Done():
				return nil
			case <-saved:
			}
			saved = m.replica.Store.Saved()
		}
	}
}
