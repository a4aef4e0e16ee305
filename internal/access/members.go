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
	doubt   atomic.Pointer[string]
	links   *authority.Links
	charter Charter
	// After is called when the books were looked at again; nil: nothing else hangs on them.
	After func()
}

// Charter is what the books stand on, and its second place. The zero value has none.
type Charter struct {
	// Doubt says, of rights that were just read, why they may lack what matters;
	// empty: they are whole. Nil: they always are.
	Doubt func(context.Context, *ledger.Rights) (string, error)
	// Keep keeps what the books stand on in the second place, whenever that moved.
	Keep func(context.Context) error
}

// NewMembers reads the books of a replica for the first time.
func NewMembers(ctx context.Context, r *replica.Replica, links *authority.Links, charter Charter) (*Members, error) {
	m := &Members{replica: r, links: links, charter: charter}
	return m, m.Refresh(ctx)
}

var _ authority.Members = (*Members)(nil)

// Admitted implements authority.Members.
func (m *Members) Admitted(key ed25519.PublicKey) bool {
	rights := m.rights.Load()
	return m.Doubt() == "" && rights.Founded() && rights.Admits(event.DeviceID(key))
}

// Rights are those of the books as they were last read.
func (m *Members) Rights() *ledger.Rights { return m.rights.Load() }

// Doubt implements authority.Members: why nobody can be told from a stranger now.
func (m *Members) Doubt() string {
	if d := m.doubt.Load(); d != nil {
		return *d
	}
	return ""
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
	if err == nil {
		err = m.weigh(ctx)
	}
	if n := m.links.Sweep(m); n > 0 {
		m.replica.Log.Warn("links of laptops that were shut out are cut", "links", n)
	}
	if m.After != nil {
		m.After()
	}
	return err
}

// booksPart is how the status calls what is in doubt.
const booksPart = "founding and members"

// weigh asks whether the rights that were read are whole.
func (m *Members) weigh(ctx context.Context) error {
	if m.charter.Doubt == nil {
		return nil
	}
	doubt, err := m.charter.Doubt(ctx, m.rights.Load())
	if err != nil {
		doubt = "whether the books of this server are whole cannot be read: " + err.Error()
	}
	m.doubt.Store(&doubt)
	switch {
	case doubt != "":
		m.replica.Parts.Fail(booksPart, errors.New(doubt), m.replica.Clock.Now())
		m.replica.Log.Warn(doubt)
	case m.replica.Parts.Works(booksPart):
		m.replica.Log.Info("this server knows its practice again")
	}
	return err
}

// Keep brings the second place of what the books stand on up to date. In doubt it
// stays as it is.
func (m *Members) Keep(ctx context.Context) error {
	if m.charter.Keep == nil || m.Doubt() != "" {
		return nil
	}
	return m.charter.Keep(ctx)
}

// Watch refreshes whenever a record came that touches rights, until ctx ends.
func (m *Members) Watch(ctx context.Context) error {
	for {
		saved, moves := m.replica.Store.Saved(), m.replica.Store.RightsMoves()
		err := m.Refresh(ctx)
		if err == nil {
			err = m.Keep(ctx)
		}
		if err != nil {
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
