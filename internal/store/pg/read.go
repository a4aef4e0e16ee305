package pg

import (
	"context"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"

	"thawtrail/internal/store/journal"
)

// A page is what one question to the database brings: enough that its way there does not
// count, and no more than may lie in memory.
const (
	pageFrames = 2048
	pageBytes  = 2 << 20
)

// row is a frame as it is stored.
type row struct {
	at     int64
	stored []byte
}

// page reads rows in the order of their positions until they are enough.
func (t *truth) page(sql string, args ...any) ([]row, error) {
	return ask(t, func(ctx context.Context) (out []row, err error) {
		ctx, enough := context.WithCancel(ctx)
		defer enough()
		rows, err := t.l.d.pool.Query(ctx, sql, append([]any{t.l.practice}, args...)...)
		if err != nil {
			return nil, err
		}
		defer rows.Close()
		for size := 0; rows.Next(); {
			var r row
			if err := rows.Scan(&r.at, &r.stored); err != nil {
				return nil, err
			}
			out = append(out, r)
			if size += len(r.stored); size >= pageBytes {
				enough() // what is still on its way is not waited for
				return out, nil
			}
		}
		return out, rows.Err()
	})
}

// opened is the frame of a row.
func (t *truth) opened(r row) ([]byte, error) {
	frame, err := t.seal.open(r.at, r.stored)
	if err != nil {
		return nil, fmt.Errorf("%w: %v: %w", journal.ErrDamaged, position(r.at), err)
	}
	return frame, nil
}

// ReadAt reads the frame at a position. buf is not used: what comes over the network lies
// in memory of its own.
func (t *truth) ReadAt(p journal.Position, _ []byte) (frame []byte, next journal.Position, err error) {
	at, err := t.within(p)
	if err != nil {
		return nil, next, err
	}
	stored, err := ask(t, func(ctx context.Context) (stored []byte, err error) {
		err = t.l.d.pool.QueryRow(ctx, `SELECT frame FROM thawtrail_frame WHERE practice = $1 AND position = $2`, t.l.practice, at).Scan(&stored)
		return stored, err
	})
	switch {
	case errors.Is(err, pgx.ErrNoRows):
		return nil, next, gone(at)
	case err != nil:
		return nil, next, err
	}
	frame, err = t.opened(row{at, stored})
	return frame, position(at + 1), err
}

// gone is the error of a row that must be there and is not.
func gone(at int64) error {
	return fmt.Errorf("%w: %v: %s", journal.ErrDamaged, position(at), reasonGone)
}

const reasonGone = "its row is missing"

// within is the number of a position at which a frame lies.
func (t *truth) within(p journal.Position) (int64, error) {
	next, err := t.known()
	if err != nil {
		return 0, err
	}
	at := number(p)
	if at < 1 || at >= next {
		return 0, fmt.Errorf("%w: %v", journal.ErrNotFound, p)
	}
	return at, nil
}

// ReadEach reads a stretch of positions that rise at once, and hands each on.
func (t *truth) ReadEach(ps []journal.Position, fn func(i int, frame []byte) error) error {
	if _, err := t.known(); err != nil {
		return err
	}
	for done := 0; done < len(ps); {
		var at []int64
		var stop error
		for _, p := range ps[done:] {
			n, err := t.within(p)
			if stop = err; err != nil || len(at) == pageFrames || len(at) > 0 && n <= at[len(at)-1] {
				break
			}
			at = append(at, n)
		}
		if len(at) == 0 {
			return stop
		}
		rows, err := t.page(`SELECT position, frame FROM thawtrail_frame WHERE practice = $1 AND position = ANY ($2::bigint[]) ORDER BY position`, at)
		if err != nil {
			return err
		}
		if len(rows) == 0 {
			return gone(at[0])
		}
		for i, r := range rows {
			if r.at != at[i] {
				return gone(at[i])
			}
			frame, err := t.opened(r)
			if err == nil {
				err = fn(done+i, frame)
			}
			if err != nil {
				return err
			}
		}
		done += len(rows)
	}
	return nil
}

// Scan reads page by page, up to the end as it is now. No connection is held while fn runs.
func (t *truth) Scan(from journal.Position, fn func(journal.Position, []byte) error, onDamage func(from, to journal.Position, reason string) error) error {
	next, err := t.known()
	if err != nil {
		return err
	}
	at := number(from)
	if from.IsZero() {
		at = 1
	}
	if at < 1 || at > next {
		return fmt.Errorf("%w: %v", journal.ErrNotFound, from)
	}
	damaged := func(from, to int64, reason string) error {
		if onDamage == nil {
			return fmt.Errorf("%w: %v: %s", journal.ErrDamaged, position(from), reason)
		}
		return onDamage(position(from), position(to), reason)
	}
	for at < next {
		rows, err := t.page(`SELECT position, frame FROM thawtrail_frame WHERE practice = $1 AND position >= $2 AND position < $3
			ORDER BY position LIMIT $4`, at, next, pageFrames)
		if err != nil {
			return err
		}
		if len(rows) == 0 {
			return damaged(at, next, reasonGone)
		}
		for _, r := range rows {
			if r.at != at {
				if err := damaged(at, r.at, reasonGone); err != nil {
					return err
				}
			}
			frame, err := t.seal.open(r.at, r.stored)
			if err != nil {
				err = damaged(r.at, r.at+1, err.Error())
			} else {
				err = fn(position(r.at), frame)
			}
			if err != nil {
				return err
			}
			at = r.at + 1
		}
	}
	return nil
}
