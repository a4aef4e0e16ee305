package bench

import (
	"context"
	"crypto/rand"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"thawtrail/internal/refusal"
	"thawtrail/internal/store/pg"
	"thawtrail/server"
)

const (
	databaseLimit = "the same bytes copied into a bare table of that database, in transactions of 1 MiB"
	bareBytes     = 1 << 20
)

// databaseMeasure times a push as push_ack_100k does, to a server whose practice lies in the
// database that was named. What it puts there it takes out again.
func databaseMeasure(ctx context.Context, l *lab) ([]Result, error) {
	d, err := l.database(ctx)
	if err != nil {
		return nil, err
	}
	defer d.Close()
	n := l.size(100_000)
	wires, err := l.wire(ctx, n)
	if err != nil {
		return nil, err
	}
	var ours, bare []time.Duration
	var from *filled
	for range rounds {
		took, err := bareCopy(ctx, l.cfg.Database, wires)
		if err != nil {
			return nil, err
		}
		p, f, err := l.pushIn(ctx, d, n)
		if err != nil {
			return nil, err
		}
		from, ours, bare = f, append(ours, p.acked), append(bare, took)
	}
	return []Result{inRounds("push_database_100k", from.records, ours, bare, databaseLimit)}, nil
}

// database opens the one that was named.
func (l *lab) database(ctx context.Context) (*pg.Database, error) {
	if l.cfg.Database == "" {
		return nil, refusal.New("database", "", "--database URL: a PostgreSQL to try this on")
	}
	return pg.Open(ctx, pg.Options{URL: l.cfg.Database})
}

// inDatabase is a practice that lies in a database for as long as it is measured.
type inDatabase struct {
	hub   string // its server's folder
	leave func(context.Context) error
}

// moveIn moves a copy of a server into a database, after change has done to its folder what
// can be done only there; nil: nothing.
func (l *lab) moveIn(ctx context.Context, d *pg.Database, from *filled, change func(hub string) error) (in inDatabase, err error) {
	in.hub = filepath.Join(l.dir, "thawtrail-bench-"+strings.ToLower(rand.Text()))
	if err := os.CopyFS(in.hub, os.DirFS(from.dir)); err != nil {
		return in, err
	}
	if change != nil {
		if err := change(in.hub); err != nil {
			return in, err
		}
	}
	in.leave = func(ctx context.Context) error {
		return server.Delete(context.WithoutCancel(ctx), server.DeleteConfig{Data: in.hub, Database: d, Secret: secret(), Practice: practiceName})
	}
	_, err = server.Move(ctx, server.MoveConfig{Data: in.hub, Database: d, Secret: secret(), To: server.ToDatabase})
	return in, err
}

// pushIn pushes a filled laptop's records to a server in a database.
func (l *lab) pushIn(ctx context.Context, d *pg.Database, n int64) (p pushed, from *filled, err error) {
	laptop, begun, from, err := l.toPush(ctx, n)
	if err != nil {
		return p, nil, err
	}
	in, err := l.moveIn(ctx, d, begun, nil)
	if err != nil {
		return p, nil, err
	}
	defer func() { err = errors.Join(err, in.leave(ctx)) }()
	p, err = pushTo(ctx, laptop, server.Config{Data: in.hub, Database: d}, from.known)
	return p, from, err
}

// bareCopy copies records into a table without a key.
func bareCopy(ctx context.Context, url string, wires [][]byte) (took time.Duration, err error) {
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return 0, refusal.New("database", "(hidden: it may hold a password)", "a PostgreSQL that answers")
	}
	defer func() { err = errors.Join(err, conn.Close(context.WithoutCancel(ctx))) }()
	if _, err := conn.Exec(ctx, `CREATE TABLE thawtrail_bench_bare (practice text, position bigint, frame bytea)`); err != nil {
		return 0, err
	}
	defer func() {
		_, dropped := conn.Exec(context.WithoutCancel(ctx), `DROP TABLE thawtrail_bench_bare`)
		err = errors.Join(err, dropped)
	}()
	watch := stopwatch()
	at := 0
	for len(wires) > 0 {
		size := 0
		end := slices.IndexFunc(wires, func(w []byte) bool { size += len(w); return size > bareBytes })
		if end < 1 {
			end = len(wires)
		}
		rows := make([][]any, end)
		for i, w := range wires[:end] {
			at++
			rows[i] = []any{practiceName, int64(at), w}
		}
		if _, err := conn.CopyFrom(ctx, pgx.Identifier{"thawtrail_bench_bare"}, []string{"practice", "position", "frame"}, pgx.CopyFromRows(rows)); err != nil {
			return 0, err
		}
		wires = wires[end:]
	}
	return watch(), nil
}
