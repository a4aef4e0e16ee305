package pg

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"thawtrail/internal/wholefile"
)

// Names keeps a practice's small files in the database, as they are given: whoever writes
// there closes them first. It is a wholefile.Names.
type Names struct {
	opt  Options
	pool *pgxpool.Pool
}

// OpenNames opens the small files of a practice.
func OpenNames(ctx context.Context, opt Options) (*Names, error) {
	if opt.Patience == 0 {
		opt.Patience = 10 * time.Second
	}
	pool, err := connect(ctx, opt.URL)
	if err != nil {
		return nil, err
	}
	if err = durable(ctx, pool); err == nil {
		err = migrate(ctx, pool)
	}
	if err != nil {
		pool.Close()
		return nil, fmt.Errorf("open the practice's small files in the database: %w", err)
	}
	return &Names{opt, pool}, nil
}

// Close lets go of the database.
func (n *Names) Close() { n.pool.Close() }

// Place names the row.
func (n *Names) Place(name string) string {
	return "the database's file " + path.Join(n.opt.Practice, name)
}

func (n *Names) within() (context.Context, context.CancelFunc) {
	return context.WithTimeout(context.Background(), n.opt.Patience)
}

// split gives the folder and the name in it as they stand in a row.
func split(name string) (folder, base string) {
	folder, base = path.Split(path.Clean(name))
	return path.Clean(folder), base
}

// Read reads one that is not longer than most.
func (n *Names) Read(name string, most int64) ([]byte, error) {
	ctx, cancel := n.within()
	defer cancel()
	folder, base := split(name)
	var size int64
	var contents []byte
	err := n.pool.QueryRow(ctx, `SELECT octet_length(contents), CASE WHEN octet_length(contents) <= $4 THEN contents END
		FROM thawtrail_small WHERE practice = $1 AND folder = $2 AND name = $3`, n.opt.Practice, folder, base, most).Scan(&size, &contents)
	switch {
	case errors.Is(err, pgx.ErrNoRows):
		return nil, fmt.Errorf("read %s: %w", n.Place(name), fs.ErrNotExist)
	case err != nil:
		return nil, fmt.Errorf("read %s: %w", n.Place(name), err)
	case size > most:
		return nil, fmt.Errorf("read %s: %w (%d bytes)", n.Place(name), wholefile.ErrTooLong, most)
	}
	return contents, nil
}

// Write puts contents in the place of what was there.
func (n *Names) Write(name string, contents []byte) error {
	return n.exec(name, `INSERT INTO thawtrail_small (practice, folder, name, contents) VALUES ($1, $2, $3, $4)
		ON CONFLICT (practice, folder, name) DO UPDATE SET contents = excluded.contents`, contents)
}

// Remove takes one away.
func (n *Names) Remove(name string) error {
	return n.exec(name, `DELETE FROM thawtrail_small WHERE practice = $1 AND folder = $2 AND name = $3`)
}

func (n *Names) exec(name, sql string, args ...any) error {
	ctx, cancel := n.within()
	defer cancel()
	folder, base := split(name)
	if _, err := n.pool.Exec(ctx, sql, append([]any{n.opt.Practice, folder, base}, args...)...); err != nil {
		return fmt.Errorf("write %s: %w", n.Place(name), err)
	}
	return nil
}

// List gives the names right below another one.
func (n *Names) List(below string) ([]string, error) {
	ctx, cancel := n.within()
	defer cancel()
	folder := path.Clean(below)
	rows, err := n.pool.Query(ctx, `SELECT name FROM thawtrail_small WHERE practice = $1 AND folder = $2`, n.opt.Practice, folder)
	if err != nil {
		return nil, fmt.Errorf("list %s: %w", n.Place(below), err)
	}
	names, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		return nil, fmt.Errorf("list %s: %w", n.Place(below), err)
	}
	for i, name := range names {
		names[i] = path.Join(folder, name)
	}
	slices.Sort(names)
	return names, nil
}
