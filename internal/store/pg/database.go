package pg

import (
	"cmp"
	"context"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"sync"
	"time"

	"github.com/cenkalti/backoff/v5"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"

	"thawtrail/internal/refusal"
)

// Options say which database, and how long one waits for it.
type Options struct {
	URL      string        // postgres://…, or keywords and values as libpq reads them
	Patience time.Duration // how long a database that does not answer is waited for; 10 s when 0
	Lease    time.Duration // how long a practice stays with a process that is not heard of any more; 3 s when 0
}

// ErrSettings: the database does not keep what it acknowledges.
var ErrSettings = errors.New("this database would lose records that were said to be saved")

// maxConnections of a process, for all its practices, where the URL does not say
// pool_max_conns: a commit takes one for as long as the database needs to be durable.
const maxConnections = 16

// Database is one database for all practices of a process.
type Database struct {
	opt  Options
	pool *pgxpool.Pool
	ctx  context.Context // ends with Close
	stop context.CancelFunc
	kept sync.WaitGroup

	mu     sync.Mutex
	leases map[*Lease]bool // guarded by mu: those that are renewed
}

// Open reaches a database, refuses one that forgets, and brings its tables up to date. The
// password of the URL stands in no error.
func Open(ctx context.Context, opt Options) (*Database, error) {
	opt.Patience = cmp.Or(opt.Patience, 10*time.Second)
	opt.Lease = cmp.Or(opt.Lease, 3*time.Second)
	pool, err := connect(ctx, opt.URL)
	if err != nil {
		return nil, err
	}
	d := &Database{opt: opt, pool: pool, leases: map[*Lease]bool{}}
	d.ctx, d.stop = context.WithCancel(context.Background())
	ctx, cancel := context.WithTimeout(ctx, opt.Patience)
	defer cancel()
	if err = durable(ctx, pool); err == nil {
		err = migrate(ctx, pool)
	}
	if err != nil {
		pool.Close()
		return nil, fmt.Errorf("open the database: %w", unreached(err))
	}
	every := opt.Lease / 3
	d.kept.Go(func() { d.renewals(every) })
	return d, nil
}

// Close lets go of the database. Leases that were not given back run out.
func (d *Database) Close() {
	d.stop()
	d.kept.Wait()
	d.pool.Close()
}

func connect(ctx context.Context, url string) (*pgxpool.Pool, error) {
	cfg, err := pgxpool.ParseConfig(url)
	if err != nil {
		return nil, refusal.New("database", "(hidden: it may hold a password)", "an address such as postgres://thawtrail@db.example/thawtrail").Because(parseTrouble(err))
	}
	if !strings.Contains(url, "pool_max_conns") {
		cfg.MaxConns = max(cfg.MaxConns, maxConnections)
	}
	return pgxpool.NewWithConfig(ctx, cfg)
}

// parseTrouble is what is wrong with an address, without the address.
func parseTrouble(err error) string {
	for next := errors.Unwrap(err); next != nil; next = errors.Unwrap(next) {
		err = next
	}
	return err.Error()
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

// Hosted is a practice of the database.
type Hosted struct{ Name, Print string }

// Practices lists those that laptops may ask for, by name, at most most of them.
func (d *Database) Practices(ctx context.Context, most int) ([]Hosted, error) {
	return patiently(ctx, d, func(ctx context.Context) ([]Hosted, error) {
		rows, err := d.pool.Query(ctx, `SELECT practice, print FROM thawtrail_practice WHERE print <> '' ORDER BY practice LIMIT $1`, most)
		if err != nil {
			return nil, err
		}
		return pgx.CollectRows(rows, pgx.RowToStructByPos[Hosted])
	})
}

// Holder is the address of the process that has a practice open; empty where none has.
func (d *Database) Holder(ctx context.Context, practice string) (address string, held bool, err error) {
	held, err = patiently(ctx, d, func(ctx context.Context) (held bool, err error) {
		err = d.pool.QueryRow(ctx, `SELECT address, until > current_timestamp FROM thawtrail_practice WHERE practice = $1`, practice).Scan(&address, &held)
		if errors.Is(err, pgx.ErrNoRows) {
			return false, nil
		}
		return held, err
	})
	return address, held, err
}

// patiently asks again while the database cannot be reached, or asks for that. What is
// asked may happen twice.
func patiently[T any](ctx context.Context, d *Database, ask func(ctx context.Context) (T, error)) (T, error) {
	ctx, cancel := context.WithTimeout(ctx, d.opt.Patience)
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
	return out, unreached(err)
}

// unreached words an error that the database may not have at the next try.
func unreached(err error) error {
	if err == nil || !passes(err) || errors.Is(err, ErrSettings) || errors.Is(err, context.Canceled) {
		return err
	}
	return refusal.Fail(refusal.ErrUnavailable, "the database does not answer: %v", err)
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
