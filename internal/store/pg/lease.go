package pg

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"

	"thawtrail/internal/store"
)

// Held says that another process has a practice open.
type Held struct {
	Practice string
	Address  string // of that process; empty: it can be reached by none of the others
}

// Error names it.
func (h *Held) Error() string {
	if h.Address == "" {
		return h.Practice + ": another process has this practice open"
	}
	return h.Practice + ": the process at " + h.Address + " has this practice open"
}

// Lease is a practice that this process has open. It is renewed until it is given back or
// another process has taken it.
type Lease struct {
	d        *Database
	practice string
	opener   []byte
	lose     sync.Once
	lost     chan struct{}
	cutting  sync.Once
	cut      chan struct{}
}

// Begin makes room for a practice where there is none, and takes it.
func (d *Database) Begin(ctx context.Context, practice, address string) (*Lease, error) {
	_, err := patiently(ctx, d, func(ctx context.Context) (struct{}, error) {
		_, err := d.pool.Exec(ctx, `INSERT INTO thawtrail_practice (practice, print, opener, address, until, fence, next)
			VALUES ($1, '', '', '', current_timestamp, 0, 1) ON CONFLICT (practice) DO NOTHING`, practice)
		return struct{}{}, err
	})
	if err != nil {
		return nil, fmt.Errorf("begin %s in the database: %w", practice, err)
	}
	return d.Take(ctx, practice, address)
}

// Take takes a practice that no other process has open. A *Held error says who has it;
// fs.ErrNotExist that nothing of that name was begun.
func (d *Database) Take(ctx context.Context, practice, address string) (*Lease, error) {
	l := &Lease{d: d, practice: practice, opener: make([]byte, 16), lost: make(chan struct{}), cut: make(chan struct{})}
	if _, err := rand.Read(l.opener); err != nil {
		return nil, err
	}
	var held *Held
	took, err := patiently(ctx, d, func(ctx context.Context) (bool, error) {
		held = nil
		tag, err := d.pool.Exec(ctx, `UPDATE thawtrail_practice SET opener = $2, address = $3, until = current_timestamp + $4::interval, fence = fence + 1
			WHERE practice = $1 AND (until <= current_timestamp OR opener = $2)`, practice, l.opener, address, d.opt.Lease)
		if err != nil || tag.RowsAffected() == 1 {
			return err == nil, err
		}
		held = &Held{Practice: practice}
		return false, d.pool.QueryRow(ctx, `SELECT address FROM thawtrail_practice WHERE practice = $1`, practice).Scan(&held.Address)
	})
	switch {
	case errors.Is(err, pgx.ErrNoRows):
		return nil, fmt.Errorf("%s: %w in the database", practice, fs.ErrNotExist)
	case err != nil:
		return nil, fmt.Errorf("take %s in the database: %w", practice, err)
	case !took:
		return nil, held
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.leases[l] = true
	return l, nil
}

// Lost is closed when another process has taken the practice.
func (l *Lease) Lost() <-chan struct{} { return l.lost }

// Cut is closed when the database has not been reached for so long that another process,
// which reaches it, has long had the practice for the asking. Nothing is known to be lost:
// whoever has no other process to send laptops to may wait on.
func (l *Lease) Cut() <-chan struct{} { return l.cut }

// cutAfter is how many leases long that is.
const cutAfter = 10

// cutOff closes Cut of all leases.
func (d *Database) cutOff() {
	d.mu.Lock()
	defer d.mu.Unlock()
	for l := range d.leases {
		l.cutting.Do(func() { close(l.cut) })
	}
}

// gone is told that the practice is another's.
func (l *Lease) gone() {
	l.drop()
	l.lose.Do(func() { close(l.lost) })
}

func (l *Lease) drop() {
	l.d.mu.Lock()
	defer l.d.mu.Unlock()
	delete(l.d.leases, l)
}

// Give gives the practice back: the next process need not wait. What was opened of it is
// closed before. The mark goes too, so that a renewal which is on its way finds nothing.
func (l *Lease) Give() error {
	l.drop()
	ctx, cancel := context.WithTimeout(context.Background(), l.d.opt.Lease) // then it has run out
	defer cancel()
	_, err := l.d.pool.Exec(ctx, `UPDATE thawtrail_practice SET until = current_timestamp, opener = '' WHERE practice = $1 AND opener = $2`, l.practice, l.opener)
	if err != nil {
		return fmt.Errorf("give %s back to the database: %w", l.practice, unreached(err))
	}
	return nil
}

// Called notes what laptops call the practice by.
func (l *Lease) Called(ctx context.Context, print string) error {
	return l.holding(ctx, func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `UPDATE thawtrail_practice SET print = $2 WHERE practice = $1 AND print <> $2`, l.practice, print)
		return err
	})
}

// Begun says that records were written. What cannot be asked is taken for that.
func (l *Lease) Begun() bool {
	begun, err := patiently(l.d.ctx, l.d, func(ctx context.Context) (begun bool, err error) {
		err = l.d.pool.QueryRow(ctx, `SELECT next > 1 FROM thawtrail_practice WHERE practice = $1`, l.practice).Scan(&begun)
		return begun, err
	})
	return begun || err != nil
}

// holding does something in a transaction that holds the practice's row, as long as the
// practice is this process's.
func (l *Lease) holding(ctx context.Context, do func(context.Context, pgx.Tx) error) error {
	ours, err := patiently(ctx, l.d, func(ctx context.Context) (ours bool, err error) {
		err = pgx.BeginFunc(ctx, l.d.pool, func(tx pgx.Tx) error {
			tag, err := tx.Exec(ctx, `UPDATE thawtrail_practice SET opener = opener WHERE practice = $1 AND opener = $2`, l.practice, l.opener)
			if ours = tag.RowsAffected() == 1; err != nil || !ours {
				return err
			}
			return do(ctx, tx)
		})
		return ours, err
	})
	if err == nil && !ours {
		l.gone()
		return store.ErrFenced
	}
	return err
}

// renewals renews all leases of the process, thrice as often as they would run out, in one
// statement. While the database cannot be reached none is lost: whether another process took
// one is known when it answers again, and until then nothing is acknowledged.
func (d *Database) renewals(every time.Duration) {
	tick := time.NewTicker(every)
	defer tick.Stop()
	var reached time.Time // at which tick it was last
	for {
		select {
		case <-d.ctx.Done():
			return
		case now := <-tick.C:
			switch err := d.renew(); { // tried again at the next tick
			case err == nil || reached.IsZero():
				reached = now
			case now.Sub(reached) > cutAfter*d.opt.Lease:
				d.cutOff()
			}
		}
	}
}

func (d *Database) renew() error {
	d.mu.Lock()
	var leases []*Lease
	var names []string
	var openers [][]byte
	for l := range d.leases {
		leases, names, openers = append(leases, l), append(names, l.practice), append(openers, l.opener)
	}
	d.mu.Unlock()
	if len(leases) == 0 {
		return nil
	}
	ctx, cancel := context.WithTimeout(d.ctx, d.opt.Lease)
	defer cancel()
	rows, err := d.pool.Query(ctx, `UPDATE thawtrail_practice AS p SET until = current_timestamp + $1::interval
		FROM unnest($2::text[], $3::bytea[]) AS l (practice, opener) WHERE p.practice = l.practice AND p.opener = l.opener RETURNING p.opener`,
		d.opt.Lease, names, openers)
	if err != nil {
		return err
	}
	still, err := pgx.CollectRows(rows, pgx.RowTo[[]byte])
	if err != nil {
		return err
	}
	ours := map[string]bool{}
	for _, opener := range still {
		ours[string(opener)] = true
	}
	for _, l := range leases {
		if !ours[string(l.opener)] {
			l.gone()
		}
	}
	return nil
}
