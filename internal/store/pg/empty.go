package pg

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"
)

// emptied is how many leaves one statement takes out: engines bound what a transaction may
// change.
const emptied = 5000

// Empty takes out all that lies under the practice's name, records and small files, so that
// it can be filled again. Broken off it leaves less than was there.
func (l *Lease) Empty(ctx context.Context) error {
	for more := true; more; {
		err := l.holding(ctx, func(ctx context.Context, tx pgx.Tx) error {
			tag, err := tx.Exec(ctx, `DELETE FROM thawtrail_leaf WHERE practice = $1 AND position >= (SELECT min(last.position) FROM
				(SELECT position FROM thawtrail_leaf WHERE practice = $1 ORDER BY position DESC LIMIT $2) AS last)`, l.practice, emptied)
			more = err == nil && tag.RowsAffected() > 0
			return err
		})
		if err != nil {
			return fmt.Errorf("empty %s in the database: %w", l.practice, err)
		}
	}
	err := l.holding(ctx, func(ctx context.Context, tx pgx.Tx) error {
		for _, table := range []string{"thawtrail_small", "thawtrail_opening"} {
			if _, err := tx.Exec(ctx, `DELETE FROM `+table+` WHERE practice = $1`, l.practice); err != nil { // #nosec G202 -- one of these two
				return err
			}
		}
		_, err := tx.Exec(ctx, `UPDATE thawtrail_practice SET next = 1, fence = fence + 1, key_id = NULL, proof = NULL WHERE practice = $1`, l.practice)
		return err
	})
	if err != nil {
		return fmt.Errorf("empty %s in the database: %w", l.practice, err)
	}
	return nil
}

// Forget takes a practice out of the database whole, and with it the lease.
func (l *Lease) Forget(ctx context.Context) error {
	if err := l.Empty(ctx); err != nil {
		return err
	}
	err := l.holding(ctx, func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `DELETE FROM thawtrail_practice WHERE practice = $1`, l.practice)
		return err
	})
	if err != nil {
		return fmt.Errorf("take %s out of the database: %w", l.practice, err)
	}
	l.drop()
	return nil
}
