package pg

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"golang.org/x/sync/singleflight"

	"thawtrail/internal/refusal"
	"thawtrail/internal/store"
	"thawtrail/internal/store/journal"
)

// Truth opens the practice's records in the database.
func (l *Lease) Truth() store.OpenTruth {
	return func(ctx context.Context, o store.Opening) (store.Truth, journal.Report, error) {
		t, err := open(ctx, l, o)
		if err != nil {
			return nil, journal.Report{}, fmt.Errorf("open the practice's records in the database: %w", err)
		}
		return t, journal.Report{}, nil
	}
}

// truth is an open one.
type truth struct {
	l      *Lease
	o      store.Opening
	seal   sealer
	ctx    context.Context // ends with Close
	cancel context.CancelFunc
	reads  singleflight.Group // of frames, by position
	begun  int64              // the fence as this opening moved it

	commit  sync.Mutex // guards the fields below: one Commit at a time
	fence   int64
	fenced  bool
	unknown bool          // a batch was given up, and may have come to the database
	failed  time.Duration // when the database did not answer last, by elapsed; 0: it does

	view   sync.RWMutex // guards the fields below; Commit holds it to publish alone
	next   int64        // the position of the next frame
	closed bool
}

func open(ctx context.Context, l *Lease, o store.Opening) (_ *truth, err error) {
	t := &truth{l: l, o: o}
	if t.seal, err = newSealer(l.practice, o.Key, o.Random); err != nil {
		return nil, err
	}
	t.ctx, t.cancel = context.WithCancel(l.d.ctx)
	if err := t.begin(ctx); err != nil {
		t.cancel()
		return nil, err
	}
	return t, nil
}

func (t *truth) begin(ctx context.Context) error {
	proof, err := t.seal.close(0, [][]byte{[]byte(t.l.practice)})
	if err != nil {
		return err
	}
	var keyID string
	_, err = patiently(ctx, t.l.d, func(ctx context.Context) (struct{}, error) {
		_, err := t.l.d.pool.Exec(ctx, `UPDATE thawtrail_practice SET key_id = $3, proof = $4 WHERE practice = $1 AND opener = $2 AND key_id IS NULL`,
			t.l.practice, t.l.opener, t.o.KeyID, proof)
		if err == nil {
			err = t.l.d.pool.QueryRow(ctx, `SELECT key_id, proof FROM thawtrail_practice WHERE practice = $1 AND opener = $2`,
				t.l.practice, t.l.opener).Scan(&keyID, &proof)
		}
		return struct{}{}, err
	})
	switch {
	case errors.Is(err, pgx.ErrNoRows):
		return t.lose()
	case err != nil:
		return err
	case keyID != t.o.KeyID:
		return fmt.Errorf("%w: the records were closed with %q, not %q", journal.ErrKey, keyID, t.o.KeyID)
	}
	if got, err := t.seal.open(0, proof); err != nil || !bytes.Equal(got[0], []byte(t.l.practice)) {
		return fmt.Errorf("%w: the records do not open with it", journal.ErrKey)
	}
	if t.next, err = t.settle(); err != nil {
		return err
	}
	t.begun = t.fence
	if err := t.endsThere(); err != nil {
		return err
	}
	return t.note()
}

// endsThere refuses records behind the end. A batch and the end move in one transaction, so
// they are there only when the tables were put back from different moments. Taken for what
// they are, some that were acknowledged would be overwritten. Both are of one statement:
// another process may have taken over, and append.
func (t *truth) endsThere() error {
	type behind struct{ next, last int64 }
	found, err := ask(t, func(ctx context.Context) (b behind, err error) {
		err = t.l.d.pool.QueryRow(ctx, `SELECT p.next, max(l.position) FROM thawtrail_practice AS p
			JOIN thawtrail_leaf AS l ON l.practice = p.practice AND l.position >= p.next WHERE p.practice = $1 GROUP BY p.next`,
			t.l.practice).Scan(&b.next, &b.last)
		return b, err
	})
	switch {
	case errors.Is(err, pgx.ErrNoRows):
		return nil
	case err != nil:
		return err
	}
	return fmt.Errorf("there are records at %d, and they are said to end before %d: the tables were put back from different moments; put all of them back from one backup", found.last, found.next)
}

// lose says that the practice is another process's.
func (t *truth) lose() error {
	t.fenced = true
	t.l.gone()
	return store.ErrFenced
}

// Positions in the form that a replica knows. The zero Position is before number 1.
func position(n int64) journal.Position {
	return journal.Position{Segment: 1 + uint32(n>>32), Offset: uint32(n)}
}

// number is the place in the order; 0 for what is none.
func number(p journal.Position) int64 {
	if p.Segment == 0 || p.Segment > 1<<30 {
		return 0
	}
	return int64(p.Segment-1)<<32 | int64(p.Offset)
}

// End is behind what this opener knows to be there.
func (t *truth) End() journal.Position {
	t.view.RLock()
	defer t.view.RUnlock()
	if t.next == 1 {
		return journal.Position{}
	}
	return position(t.next)
}

// known is the next position, or why nothing can be asked any more.
func (t *truth) known() (next int64, err error) {
	t.view.RLock()
	defer t.view.RUnlock()
	if t.closed {
		return 0, journal.ErrClosed
	}
	return t.next, nil
}

func (t *truth) publish(next int64) {
	t.view.Lock()
	defer t.view.Unlock()
	t.next = next
}

// Close lets go of the database. Everything acknowledged lies there.
func (t *truth) Close() error {
	t.view.Lock()
	was := t.closed
	t.closed = true
	t.view.Unlock()
	if !was {
		t.cancel()
	}
	return nil
}

const (
	// commitTries bounds how often one batch is sent.
	commitTries = 3
	// asksAgain is how long after it did not answer the database is left alone: whoever
	// waited meanwhile is told so at once, and nobody waits behind others' patience.
	asksAgain = time.Second
	// statementBytes is the most that one statement carries; a larger batch goes in several,
	// in one transaction. Distributed engines end at some 16 MiB.
	statementBytes = 4 << 20
)

// Commit appends a batch in one statement; see the package.
func (t *truth) Commit(frames [][]byte) ([]journal.Position, error) {
	if err := checkBatch(frames); err != nil {
		return nil, err
	}
	t.commit.Lock()
	defer t.commit.Unlock()
	next, err := t.known()
	if err != nil || len(frames) == 0 {
		return nil, err
	}
	if t.fenced {
		return nil, store.ErrFenced
	}
	if t.failed != 0 && t.elapsed()-t.failed < asksAgain {
		return nil, unsaved(refusal.Fail(refusal.ErrUnavailable, "the database did not answer a moment ago"))
	}
	if t.unknown {
		if err := t.takeOut(next); err != nil {
			return nil, t.unsaved(err)
		}
	}
	b := batch{next: next, end: next + int64(len(frames))}
	at := next
	for _, leaf := range leaves(frames) {
		stored, err := t.seal.close(at, leaf)
		if err != nil {
			return nil, err
		}
		b.at, b.stored = append(b.at, at), append(b.stored, stored)
		at += int64(len(leaf))
	}
	if err := t.append(b); err != nil {
		return nil, t.unsaved(err)
	}
	t.failed = 0
	t.publish(b.end)
	out := make([]journal.Position, len(frames))
	for i := range out {
		out[i] = position(next + int64(i))
	}
	return out, nil
}

// batch is one as it is stored: its frames lie from next up to before end.
type batch struct {
	next, end int64
	at        []int64  // where each leaf begins
	stored    [][]byte // the leaves
}

// unsaved also notes that the database does not answer; commit is held.
func (t *truth) unsaved(err error) error {
	if t.failed = 0; t.o.Elapsed != nil && errors.Is(err, refusal.ErrUnavailable) {
		t.failed = max(t.elapsed(), 1)
	}
	return unsaved(err)
}

func unsaved(err error) error {
	return fmt.Errorf("the database: nothing of this batch is acknowledged: %w", err)
}

func checkBatch(frames [][]byte) error {
	total := 0
	for i, f := range frames {
		if len(f) == 0 || len(f) > journal.MaxFrame {
			return fmt.Errorf("%w: frame %d of %d has %d bytes, expected 1 to %d", journal.ErrTooLarge, i+1, len(frames), len(f), journal.MaxFrame)
		}
		total += len(f)
	}
	if total > journal.MaxCommit {
		return fmt.Errorf("%w: a batch of %d bytes is over %d", journal.ErrTooLarge, total, journal.MaxCommit)
	}
	return nil
}

const (
	appendLeaves = `WITH moved AS (
	UPDATE thawtrail_practice SET next = $5 WHERE practice = $1 AND opener = $2 AND fence = $3 AND next = $4 RETURNING practice)
INSERT INTO thawtrail_leaf (practice, position, leaf)
SELECT moved.practice, l.position, l.leaf FROM moved, unnest($6::bigint[], $7::bytea[]) AS l (position, leaf)`
	appendMore = `INSERT INTO thawtrail_leaf (practice, position, leaf)
SELECT $1, l.position, l.leaf FROM unnest($2::bigint[], $3::bytea[]) AS l (position, leaf)`
)

// append sends a batch until it is known to be there, or not.
func (t *truth) append(b batch) error {
	for try := 1; ; try++ {
		done, failed := t.send(b)
		if done {
			return nil
		}
		// Not there, or perhaps: whatever was answered, the row knows.
		there, err := t.settle()
		switch {
		case errors.Is(err, store.ErrFenced):
			return err
		case err != nil:
			t.unknown = true
			return errors.Join(failed, err)
		case there == b.end:
			return nil
		case there != b.next:
			_ = t.lose() // it is worded below
			return fmt.Errorf("%w: the records end at %d there, and at %d here", store.ErrFenced, there, b.next)
		case try == commitTries:
			return failed
		}
	}
}

func (t *truth) send(b batch) (done bool, err error) {
	ctx, cancel := context.WithTimeout(t.ctx, t.l.d.opt.Patience)
	defer cancel()
	began := t.elapsed()
	defer func() {
		if t.o.Synced != nil {
			t.o.Synced(t.elapsed() - began)
		}
	}()
	first := fits(b.stored)
	if first == len(b.at) {
		return t.sendFirst(ctx, t.l.d.pool, b, first)
	}
	err = pgx.BeginFunc(ctx, t.l.d.pool, func(tx pgx.Tx) error {
		if done, err := t.sendFirst(ctx, tx, b, first); !done {
			return err
		}
		for from := first; from < len(b.at); {
			to := from + fits(b.stored[from:])
			if _, err := tx.Exec(ctx, appendMore, t.l.practice, b.at[from:to], b.stored[from:to]); err != nil {
				return err
			}
			from = to
		}
		return nil
	})
	return err == nil, err
}

// fits is how many leaves one statement carries, at least one.
func fits(stored [][]byte) (n int) {
	for size := 0; n < len(stored); n++ {
		if size += len(stored[n]); size > statementBytes && n > 0 {
			break
		}
	}
	return n
}

// executor is a pool or a transaction of it.
type executor interface {
	Exec(ctx context.Context, sql string, args ...any) (pgconn.CommandTag, error)
}

// sendFirst moves the end on by all frames of the batch and puts its first n leaves in.
func (t *truth) sendFirst(ctx context.Context, to executor, b batch, n int) (done bool, err error) {
	tag, err := to.Exec(ctx, appendLeaves, t.l.practice, t.l.opener, t.fence, b.next, b.end, b.at[:n], b.stored[:n])
	if err == nil && tag.RowsAffected() != int64(n) {
		err = errors.New("the end had moved")
	}
	return err == nil, err
}

func (t *truth) elapsed() time.Duration {
	if t.o.Elapsed == nil {
		return 0
	}
	return t.o.Elapsed()
}

// settle moves the fence, so that nothing sent before can still come, and gives where the
// records end.
func (t *truth) settle() (next int64, err error) {
	fence, err := ask(t, func(ctx context.Context) (fence int64, err error) {
		err = t.l.d.pool.QueryRow(ctx, `UPDATE thawtrail_practice SET fence = fence + 1 WHERE practice = $1 AND opener = $2 RETURNING fence, next`,
			t.l.practice, t.l.opener).Scan(&fence, &next)
		return fence, err
	})
	if errors.Is(err, pgx.ErrNoRows) {
		return 0, t.lose()
	}
	if err == nil {
		t.fence = fence
	}
	return next, err
}

// takeOut removes what came of a batch that was given up.
func (t *truth) takeOut(next int64) error {
	fence, err := ask(t, func(ctx context.Context) (fence int64, err error) {
		err = pgx.BeginFunc(ctx, t.l.d.pool, func(tx pgx.Tx) error {
			err := tx.QueryRow(ctx, `UPDATE thawtrail_practice SET fence = fence + 1, next = $3 WHERE practice = $1 AND opener = $2 RETURNING fence`,
				t.l.practice, t.l.opener, next).Scan(&fence)
			if err == nil {
				_, err = tx.Exec(ctx, `DELETE FROM thawtrail_leaf WHERE practice = $1 AND position >= $2`, t.l.practice, next)
			}
			return err
		})
		return fence, err
	})
	if errors.Is(err, pgx.ErrNoRows) {
		return t.lose()
	}
	if err == nil {
		t.fence, t.unknown = fence, false
	}
	return err
}

// ask asks patiently for as long as the truth is open.
func ask[T any](t *truth, question func(ctx context.Context) (T, error)) (T, error) {
	out, err := patiently(t.ctx, t.l.d, question)
	if err != nil && t.ctx.Err() != nil {
		err = journal.ErrClosed
	}
	return out, err
}
