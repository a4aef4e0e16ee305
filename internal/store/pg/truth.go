package pg

import (
	"bytes"
	"cmp"
	"context"
	"crypto/rand"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"sync"
	"time"

	"github.com/cenkalti/backoff/v5"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"

	"thawtrail/internal/store"
	"thawtrail/internal/store/journal"
)

// Options say where the records of one practice lie.
type Options struct {
	URL      string        // postgres://…, or keywords and values as libpq reads them
	Practice string        // names the practice among others
	Patience time.Duration // how long a database that does not answer is waited for; 10 s when 0
}

// ErrSettings: the database does not keep what it acknowledges.
var ErrSettings = errors.New("this database would lose records that were said to be saved")

// Truth opens a practice's records in a database, and takes them over from whoever had
// them open.
func Truth(opt Options) store.OpenTruth {
	return func(ctx context.Context, o store.Opening) (store.Truth, journal.Report, error) {
		t, err := open(ctx, opt, o)
		if err != nil {
			return nil, journal.Report{}, fmt.Errorf("open the practice's records in the database: %w", err)
		}
		return t, journal.Report{}, nil
	}
}

// truth is an open one.
type truth struct {
	opt    Options
	o      store.Opening
	seal   sealer
	opener []byte
	pool   *pgxpool.Pool
	ctx    context.Context // ends with Close
	cancel context.CancelFunc

	commit  sync.Mutex // guards the fields below: one Commit at a time
	fence   int64
	fenced  bool
	unknown bool // a batch was given up, and may have come to the database

	view   sync.RWMutex // guards the fields below; Commit holds it to publish alone
	next   int64        // the position of the next frame
	closed bool
}

func open(ctx context.Context, opt Options, o store.Opening) (*truth, error) {
	opt.Patience = cmp.Or(opt.Patience, 10*time.Second)
	t := &truth{opt: opt, o: o, opener: make([]byte, 16)}
	var err error
	if t.seal, err = newSealer(opt.Practice, o.Key, o.Random); err != nil {
		return nil, err
	}
	// The marks of two processes differ whatever random numbers a test hands over.
	if _, err := rand.Read(t.opener); err != nil {
		return nil, err
	}
	if t.pool, err = connect(ctx, opt.URL); err != nil {
		return nil, err
	}
	t.ctx, t.cancel = context.WithCancel(context.Background())
	if err := t.begin(ctx); err != nil {
		return nil, errors.Join(err, t.Close())
	}
	return t, nil
}

// maxConnections of one open practice: a commit, and a few who read.
const maxConnections = 4

func connect(ctx context.Context, url string) (*pgxpool.Pool, error) {
	cfg, err := pgxpool.ParseConfig(url)
	if err != nil {
		return nil, err
	}
	cfg.MaxConns = maxConnections
	return pgxpool.NewWithConfig(ctx, cfg)
}

//go:embed schema/*.sql
var schema embed.FS

// migrate brings the schema up to date. Of two processes that do so at once one may be
// refused, and finds it done when it looks again.
func migrate(ctx context.Context, pool *pgxpool.Pool) error {
	files, err := fs.Sub(schema, "schema")
	if err != nil {
		return err
	}
	db := stdlib.OpenDBFromPool(pool)
	defer db.Close()
	_, err = backoff.Retry(ctx, func() (struct{}, error) {
		p, err := goose.NewProvider(goose.DialectPostgres, db, files, goose.WithTableName("thawtrail_schema"))
		if err == nil {
			_, err = p.Up(ctx)
		}
		return struct{}{}, err
	}, backoff.WithMaxTries(5))
	if err != nil {
		return fmt.Errorf("bring the tables up to date: %w", err)
	}
	return nil
}

func (t *truth) begin(ctx context.Context) error {
	if err := durable(ctx, t.pool); err != nil {
		return err
	}
	if err := migrate(ctx, t.pool); err != nil {
		return err
	}
	proof, err := t.seal.close(0, []byte(t.opt.Practice))
	if err != nil {
		return err
	}
	_, err = t.pool.Exec(ctx, `INSERT INTO thawtrail_practice (practice, opener, fence, next, key_id, proof)
		VALUES ($1, $2, 0, 1, $3, $4) ON CONFLICT (practice) DO NOTHING`, t.opt.Practice, t.opener, t.o.KeyID, proof)
	if err != nil {
		return err
	}
	var keyID string
	err = t.pool.QueryRow(ctx, `SELECT key_id, proof FROM thawtrail_practice WHERE practice = $1`, t.opt.Practice).Scan(&keyID, &proof)
	if err != nil {
		return err
	}
	if keyID != t.o.KeyID {
		return fmt.Errorf("%w: the records were closed with %q, not %q", journal.ErrKey, keyID, t.o.KeyID)
	}
	if got, err := t.seal.open(0, proof); err != nil || !bytes.Equal(got, []byte(t.opt.Practice)) {
		return fmt.Errorf("%w: the records do not open with it", journal.ErrKey)
	}
	return t.pool.QueryRow(ctx, `UPDATE thawtrail_practice SET opener = $2, fence = fence + 1 WHERE practice = $1 RETURNING fence, next`,
		t.opt.Practice, t.opener).Scan(&t.fence, &t.next)
}

// durable refuses a database that says of itself that it forgets.
func durable(ctx context.Context, pool *pgxpool.Pool) error {
	for _, name := range []string{"fsync", "synchronous_commit"} {
		var value *string
		if err := pool.QueryRow(ctx, `SELECT current_setting($1, true)`, name).Scan(&value); err != nil {
			return err
		}
		if value != nil && *value == "off" {
			return fmt.Errorf("%w: its setting %s is off, expected on", ErrSettings, name)
		}
	}
	return nil
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
		t.pool.Close()
	}
	return nil
}

// commitTries bounds how often one batch is sent.
const commitTries = 3

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
	if t.unknown {
		if err := t.takeOut(next); err != nil {
			return nil, unsaved(err)
		}
	}
	at, stored := make([]int64, len(frames)), make([][]byte, len(frames))
	for i, f := range frames {
		at[i] = next + int64(i)
		if stored[i], err = t.seal.close(at[i], f); err != nil {
			return nil, err
		}
	}
	if err := t.append(next, at, stored); err != nil {
		return nil, unsaved(err)
	}
	t.publish(next + int64(len(frames)))
	out := make([]journal.Position, len(at))
	for i, n := range at {
		out[i] = position(n)
	}
	return out, nil
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

const appendFrames = `WITH moved AS (
	UPDATE thawtrail_practice SET next = next + $5 WHERE practice = $1 AND opener = $2 AND fence = $3 AND next = $4 RETURNING practice)
INSERT INTO thawtrail_frame (practice, position, frame)
SELECT moved.practice, f.position, f.frame FROM moved, unnest($6::bigint[], $7::bytea[]) AS f (position, frame)`

// append sends a batch until it is known to be there, or not.
func (t *truth) append(next int64, at []int64, stored [][]byte) error {
	for try := 1; ; try++ {
		done, failed := t.send(next, at, stored)
		if done {
			return nil
		}
		// Not there, or perhaps: whatever was answered, the row knows.
		there, err := t.settle()
		switch {
		case errors.Is(err, store.ErrFenced):
			t.fenced = true
			return err
		case err != nil:
			t.unknown = true
			return errors.Join(failed, err)
		case there == next+int64(len(at)):
			return nil
		case there != next:
			t.fenced = true
			return fmt.Errorf("%w: the records end at %d there, and at %d here", store.ErrFenced, there, next)
		case try == commitTries:
			return failed
		}
	}
}

func (t *truth) send(next int64, at []int64, stored [][]byte) (done bool, err error) {
	ctx, cancel := context.WithTimeout(t.ctx, t.opt.Patience)
	defer cancel()
	began := t.elapsed()
	tag, err := t.pool.Exec(ctx, appendFrames, t.opt.Practice, t.opener, t.fence, next, len(at), at, stored)
	if t.o.Synced != nil {
		t.o.Synced(t.elapsed() - began)
	}
	if err == nil && tag.RowsAffected() != int64(len(at)) {
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
	fence, err := patiently(t, func(ctx context.Context) (fence int64, err error) {
		err = t.pool.QueryRow(ctx, `UPDATE thawtrail_practice SET fence = fence + 1 WHERE practice = $1 AND opener = $2 RETURNING fence, next`,
			t.opt.Practice, t.opener).Scan(&fence, &next)
		return fence, err
	})
	if errors.Is(err, pgx.ErrNoRows) {
		return 0, store.ErrFenced
	}
	if err == nil {
		t.fence = fence
	}
	return next, err
}

// takeOut removes what came of a batch that was given up.
func (t *truth) takeOut(next int64) error {
	fence, err := patiently(t, func(ctx context.Context) (fence int64, err error) {
		err = pgx.BeginFunc(ctx, t.pool, func(tx pgx.Tx) error {
			err := tx.QueryRow(ctx, `UPDATE thawtrail_practice SET fence = fence + 1, next = $3 WHERE practice = $1 AND opener = $2 RETURNING fence`,
				t.opt.Practice, t.opener, next).Scan(&fence)
			if err == nil {
				_, err = tx.Exec(ctx, `DELETE FROM thawtrail_frame WHERE practice = $1 AND position >= $2`, t.opt.Practice, next)
			}
			return err
		})
		return fence, err
	})
	if errors.Is(err, pgx.ErrNoRows) {
		t.fenced = true
		return store.ErrFenced
	}
	if err == nil {
		t.fence, t.unknown = fence, false
	}
	return err
}

// patiently asks again while the database cannot be reached, or asks for that. What is
// asked may happen twice.
func patiently[T any](t *truth, ask func(ctx context.Context) (T, error)) (T, error) {
	ctx, cancel := context.WithTimeout(t.ctx, t.opt.Patience)
	defer cancel()
	wait := backoff.NewExponentialBackOff()
	wait.InitialInterval, wait.MaxInterval = 20*time.Millisecond, time.Second
	out, err := backoff.Retry(ctx, func() (T, error) {
		out, err := ask(ctx)
		if err != nil && !passes(err) {
			err = backoff.Permanent(err)
		}
		return out, err
	}, backoff.WithBackOff(wait))
	if err != nil && t.ctx.Err() != nil {
		err = journal.ErrClosed
	}
	return out, err
}

// passes says that an error may be gone at the next try: the link broke, the database
// stops or starts, or two transactions met. Classes are those of the SQL standard and of
// PostgreSQL's manual, appendix A.
func passes(err error) bool {
	var told *pgconn.PgError
	if !errors.As(err, &told) {
		return !errors.Is(err, pgx.ErrNoRows)
	}
	switch told.Code[:2] {
	case "08", "40", "53", "57":
		return true
	}
	return false
}
