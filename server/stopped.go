package server

import (
	"context"

	"thawtrail/internal/store/pg"
	"thawtrail/internal/trust"
)

// Stopped is where a practice lies that no server serves: in its folder, or in a database
// when one is given. There, no process can take it until done is called. Errors:
// refusal.Conflict where a process serves it, refusal.New where the database has none of
// the folder's name.
func Stopped(ctx context.Context, data string, database *pg.Database) (place trust.Place, done func() error, err error) {
	if database == nil {
		return trust.InFolder(data), func() error { return nil }, nil
	}
	lease, err := unserved(ctx, data, database.Take)
	if err != nil {
		return place, nil, err
	}
	return leased(data, lease), lease.Give, nil
}
