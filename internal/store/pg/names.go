package pg

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"slices"

	"github.com/jackc/pgx/v5"

	"thawtrail/internal/store"
	"thawtrail/internal/wholefile"
)

// Names keeps a practice's small files in the database, as they are given: whoever writes
// there closes them first. It is a wholefile.Names.
type Names struct {
	d        *Database
	practice string
	lease    *Lease // nil: it only reads
}

// Names are the small files of a practice, to be read by whoever does not have it open.
func (d *Database) Names(practice string) *Names { return &Names{d, practice, nil} }

// Names are the small files of the practice.
func (l *Lease) Names() *Names { return &Names{l.d, l.practice, l} }

// Place names the row, or the practice for no name.
func (n *Names) Place(name string) string {
	if name == "" {
		return "the database, under the name " + n.practice
	}
	return "the database's file " + path.Join(n.practice, name)
}

// split gives the folder and the name in it as they stand in a row.
func split(name string) (folder, base string) {
	folder, base = path.Split(path.Clean(name))
	return path.Clean(folder), base
}

// Read reads one that is not longer than most.
func (n *Names) Read(name string, most int64) ([]byte, error) {
	folder, base := split(name)
	var size int64
	contents, err := patiently(n.d.ctx, n.d, func(ctx context.Context) (contents []byte, err error) {
		err = n.d.pool.QueryRow(ctx, `SELECT octet_length(contents), CASE WHEN octet_length(contents) <= $4 THEN contents END
			FROM thawtrail_small WHERE practice = $1 AND folder = $2 AND name = $3`, n.practice, folder, base, most).Scan(&size, &contents)
		return contents, err
	})
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

// Write puts contents in the place of what was there, as long as the practice is this
// process's.
func (n *Names) Write(name string, contents []byte) error {
	return n.change(name, `INSERT INTO thawtrail_small (practice, folder, name, contents) VALUES ($1, $2, $3, $4)
		ON CONFLICT (practice, folder, name) DO UPDATE SET contents = excluded.contents`, contents)
}

// Remove takes one away.
func (n *Names) Remove(name string) error {
	return n.change(name, `DELETE FROM thawtrail_small WHERE practice = $1 AND folder = $2 AND name = $3`)
}

// change holds the practice's row while it changes another one.
func (n *Names) change(name, sql string, args ...any) error {
	folder, base := split(name)
	err := error(store.ErrFenced)
	if n.lease != nil {
		err = n.lease.holding(n.d.ctx, func(ctx context.Context, tx pgx.Tx) error {
			_, err := tx.Exec(ctx, sql, append([]any{n.practice, folder, base}, args...)...)
			return err
		})
	}
	if err != nil {
		return fmt.Errorf("write %s: %w", n.Place(name), err)
	}
	return nil
}

// List gives the names right below another one.
func (n *Names) List(below string) ([]string, error) {
	folder := path.Clean(below)
	names, err := patiently(n.d.ctx, n.d, func(ctx context.Context) ([]string, error) {
		rows, err := n.d.pool.Query(ctx, `SELECT name FROM thawtrail_small WHERE practice = $1 AND folder = $2`, n.practice, folder)
		if err != nil {
			return nil, err
		}
		return pgx.CollectRows(rows, pgx.RowTo[string])
	})
	if err != nil {
		return nil, fmt.Errorf("list %s: %w", n.Place(below), err)
	}
	for i, name := range names {
		names[i] = path.Join(folder, name)
	}
	slices.Sort(names)
	return names, nil
}
