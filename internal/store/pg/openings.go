package pg

import (
	"bytes"
	"context"
	"encoding/binary"

	"github.com/jackc/pgx/v5"

	"thawtrail/internal/store"
	"thawtrail/internal/store/journal"
)

// An index outlives its process, and the database may meanwhile be put back to an earlier
// image and gone on with by another process. So each opening leaves a row with where the
// records ended, and an index the name of the opening that it was built under. The index is
// of what lies there if that row is there, and the records ended at no later opening before
// what the index has come to.

var _ store.Shared = (*truth)(nil)

// openingsKept of a practice are known; an index that is older is built again.
const openingsKept = 256

// note leaves this opening's row, and takes away what is too long ago, or was after an image
// that was put back without this table.
func (t *truth) note() error {
	return t.l.holding(t.ctx, func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `INSERT INTO thawtrail_opening (practice, fence, opener, next) VALUES ($1, $2, $3, $4)
			ON CONFLICT (practice, fence) DO UPDATE SET opener = excluded.opener, next = excluded.next`,
			t.l.practice, t.begun, t.l.opener, t.next)
		if err == nil {
			_, err = tx.Exec(ctx, `DELETE FROM thawtrail_opening WHERE practice = $1 AND (fence > $2 OR fence < (SELECT min(latest.fence) FROM
				(SELECT fence FROM thawtrail_opening WHERE practice = $1 AND fence <= $2 ORDER BY fence DESC LIMIT $3) AS latest))`,
				t.l.practice, t.begun, openingsKept)
		}
		return err
	})
}

// Opening names this opening: who it was, and the fence.
func (t *truth) Opening() []byte {
	return binary.BigEndian.AppendUint64(bytes.Clone(t.l.opener), uint64(t.begun)) // #nosec G115 -- a fence counts up from 0
}

// Since is the earliest end of the records at an opening after one.
func (t *truth) Since(opening []byte) (end journal.Position, ok bool, err error) {
	if len(opening) != len(t.l.opener)+8 {
		return end, false, nil
	}
	who, fence := opening[:len(t.l.opener)], binary.BigEndian.Uint64(opening[len(t.l.opener):])
	next, err := ask(t, func(ctx context.Context) (next *int64, err error) {
		err = t.l.d.pool.QueryRow(ctx, `SELECT min(later.next) FROM thawtrail_opening AS o
			JOIN thawtrail_opening AS later ON later.practice = o.practice AND later.fence > o.fence
			WHERE o.practice = $1 AND o.fence = $2 AND o.opener = $3`, t.l.practice, int64(fence), who).Scan(&next) // #nosec G115 -- as it was
		return next, err
	})
	if err != nil || next == nil {
		return end, false, err
	}
	return position(*next), true, nil
}
