package pg

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"strconv"

	"thawtrail/internal/store/journal"
)

// A page is what one question to the database brings: enough that its way there does not
// count, and no more than may lie in memory.
const (
	pageFrames = 2048
	pageBytes  = 2 << 20
)

// row is a leaf as it is stored.
type row struct {
	at     int64 // of its first frame
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

// leafOf is the row in which the frame at a position lies: the last that begins there or
// before.
const leafOf = `(SELECT max(b.position) FROM thawtrail_leaf AS b WHERE b.practice = $1 AND b.position <= `

// ReadAt reads the frame at a position. buf is not used: what comes over the network lies
// in memory of its own. Many ask for one frame at once when a record is handed on to all
// links of a practice: one question answers them.
func (t *truth) ReadAt(p journal.Position, _ []byte) (frame []byte, next journal.Position, err error) {
	at, err := t.within(p)
	if err != nil {
		return nil, next, err
	}
	read, err, _ := t.reads.Do(strconv.FormatInt(at, 10), func() (any, error) {
		rows, err := t.page(`SELECT position, leaf FROM thawtrail_leaf WHERE practice = $1 AND position = `+leafOf+`$2)`, at)
		if err != nil {
			return nil, err
		}
		return t.frameAt(at, rows)
	})
	if err != nil {
		return nil, position(at + 1), err
	}
	return bytes.Clone(read.([]byte)), position(at + 1), nil
}

// frameAt is the frame at a position out of the first of rows.
func (t *truth) frameAt(at int64, rows []row) ([]byte, error) {
	if len(rows) == 0 || rows[0].at > at {
		return nil, gone(at)
	}
	frames, err := t.seal.open(rows[0].at, rows[0].stored)
	switch {
	case err != nil:
		return nil, fmt.Errorf("%w: %v: %w", journal.ErrDamaged, position(at), err)
	case at-rows[0].at >= int64(len(frames)):
		return nil, gone(at)
	}
	return frames[at-rows[0].at], nil
}

// gone is the error of a frame that must be there and is not.
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
		n, err := t.readRising(at, func(i int, frame []byte) error { return fn(done+i, frame) })
		if err != nil {
			return err
		}
		done += n
	}
	return nil
}

// readRising reads frames at positions that rise, as many as one question brings, and says
// how many.
func (t *truth) readRising(at []int64, fn func(i int, frame []byte) error) (done int, err error) {
	// An array, and not IN a question: a table of which nothing is known yet is read by its
	// key all the same.
	rows, err := t.page(`SELECT position, leaf FROM thawtrail_leaf WHERE practice = $1 AND position = ANY
		(ARRAY(SELECT `+leafOf+`p.at) FROM unnest($2::bigint[]) AS p (at))) ORDER BY position`, at)
	if err != nil {
		return 0, err
	}
	if len(rows) == 0 {
		return 0, gone(at[0])
	}
	var open int64 = -1 // where the leaf begins whose frames these are
	var frames [][]byte
	for ; done < len(at); done++ {
		for len(rows) > 1 && rows[1].at <= at[done] {
			rows = rows[1:]
		}
		if r := rows[0]; r.at != open {
			if r.at > at[done] {
				return done, gone(at[done])
			}
			if frames, err = t.seal.open(r.at, r.stored); err != nil {
				return done, fmt.Errorf("%w: %v: %w", journal.ErrDamaged, position(at[done]), err)
			}
			open = r.at
		}
		if at[done]-open >= int64(len(frames)) {
			if done > 0 && len(rows) == 1 {
				return done, nil // the question was cut there; the next one tells
			}
			return done, gone(at[done])
		}
		if err := fn(done, frames[at[done]-open]); err != nil {
			return done, err
		}
	}
	return done, nil
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
	s := &scan{t: t, at: at, next: next, fn: fn, onDamage: onDamage}
	if s.floor, err = t.beginOf(at); err != nil {
		return err
	}
	for s.at < next {
		if err := s.page(); err != nil {
			return err
		}
	}
	return nil
}

// beginOf is where the leaf begins that holds a position, or the position itself.
func (t *truth) beginOf(at int64) (begin int64, err error) {
	return ask(t, func(ctx context.Context) (begin int64, err error) {
		err = t.l.d.pool.QueryRow(ctx, `SELECT coalesce(`+leafOf+`$2), $2)`, t.l.practice, at).Scan(&begin)
		return begin, err
	})
}

// scan is one that is on.
type scan struct {
	t        *truth
	at, next int64  // the frame that comes now, and where it ends
	floor    int64  // leaves that begin before it were read
	reason   string // why the leaf read last gave nothing; empty: it gave what it has
	fn       func(journal.Position, []byte) error
	onDamage func(from, to journal.Position, reason string) error
}

func (s *scan) page() error {
	rows, err := s.t.page(`SELECT position, leaf FROM thawtrail_leaf WHERE practice = $1 AND position >= $2 AND position < $3
		ORDER BY position LIMIT $4`, s.floor, s.next, pageFrames)
	if err != nil {
		return err
	}
	if len(rows) == 0 {
		return s.damaged(s.next)
	}
	for _, r := range rows {
		if r.at > s.at {
			if err := s.damaged(r.at); err != nil {
				return err
			}
		}
		s.floor, s.reason = r.at+1, ""
		frames, err := s.t.seal.open(r.at, r.stored)
		if err != nil { // it reached to where the next one begins
			s.reason = err.Error()
			continue
		}
		for ; s.at < min(r.at+int64(len(frames)), s.next); s.at++ {
			if err := s.fn(position(s.at), frames[s.at-r.at]); err != nil {
				return err
			}
		}
	}
	return nil
}

// damaged tells of what cannot be read up to before a position, and passes it.
func (s *scan) damaged(to int64) error {
	from, reason := s.at, cmp.Or(s.reason, reasonGone)
	s.at = to
	if s.onDamage == nil {
		return fmt.Errorf("%w: %v: %s", journal.ErrDamaged, position(from), reason)
	}
	return s.onDamage(position(from), position(to), reason)
}
