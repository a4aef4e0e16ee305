package cli

import (
	"context"

	"thawtrail/internal/store/pg"
	"thawtrail/internal/trust"
	"thawtrail/internal/wholefile"
	"thawtrail/server"
)

// database is the flag that names a database, and what it opened.
type database struct {
	url    *flagOf
	opened *pg.Database // nil: all lies in the folder
}

func newDatabase() *database {
	return &database{url: &flagOf{name: "database", metavar: "URL", help: "PostgreSQL that holds records and secrets under the name of the folder, e.g. postgres://thawtrail@db.example/thawtrail?sslmode=verify-full; they lie in the folder when left out. A password is better kept in PGPASSFILE", secret: true}}
}

// open opens the database, and says where the small files of a folder's practice lie.
func (b *database) open(ctx context.Context, data string) (wholefile.Names, error) {
	if !b.url.given() {
		return wholefile.Folder(data), nil
	}
	name, err := server.NameOf(data)
	if err != nil {
		return nil, err
	}
	if b.opened, err = pg.Open(ctx, pg.Options{URL: b.url.text()}); err != nil {
		return nil, err
	}
	return b.opened.Names(name), nil
}

// stopped opens where a practice lies that no server serves: a folder, or the database. done
// gives it back and closes the database.
func (b *database) stopped(ctx context.Context, data string) (place trust.Place, done func() error, err error) {
	if !b.url.given() {
		if err := liesHere(data); err != nil {
			return place, nil, err
		}
	}
	if _, err := b.open(ctx, data); err != nil {
		return place, nil, err
	}
	place, give, err := server.Stopped(ctx, data, b.opened)
	if err != nil {
		b.close()
		return place, nil, err
	}
	return place, func() error {
		defer b.close()
		return give()
	}, nil
}

func (b *database) close() {
	if b.opened != nil {
		b.opened.Close()
	}
}
