// Package pg keeps a replica's truth in PostgreSQL, or in a database that speaks its
// protocol: for who hosts more practices than one machine's disk should hold.
//
//	opt.Truth = pg.Truth(pg.Options{URL: "postgres://…", Practice: id})
//
// # Promises
//
// Those of store.Truth. Frames of a practice have the positions 1, 2, 3 … without a gap,
// and the practice's row says which comes next. A commit is one statement: it moves that
// row on if it stands where this opener believes it stands, and puts the frames in only if
// it moved. So whatever else happens, a batch is there whole or not at all, and two
// processes never both append.
//
// Who opens writes its own mark, 16 random bytes, into the row; from then on whoever had
// it before is refused with store.ErrFenced. No lock is held between commits and none
// depends on a connection that lives.
//
// # When an answer is lost
//
// A connection that breaks in the middle of a commit leaves open whether it happened, and
// the statement may still be on its way. So before anything is concluded the fence in the
// row is moved: that waits for a statement which holds the row, and one that comes later
// no longer fits. In the same transaction the end is read back, and now it is known: the
// batch is there and acknowledged, or it is not and is tried again. While the database
// cannot be reached Commit gives up after Patience, and nothing is acknowledged; the next
// Commit takes out what came of that batch first, as nobody was told of it or has read it.
//
// # What the database learns
//
// Sizes, numbers and times. A frame is closed with XChaCha20-Poly1305 under a key that
// follows from the replica's own (HKDF-SHA-256, RFC 5869, info "thawtrail truth frame 1"),
// a random nonce of 24 bytes, and the practice and the position as what is authenticated
// beside it: a frame that was moved, swapped or changed is damage. One byte before it says
// 1; without a key it says 0, and a CRC-32C follows. Small files (Names) come closed.
//
// # What is asked of the database
//
// Tables with primary keys of text and bigint, bytea, bigint arithmetic; INSERT … ON
// CONFLICT, UPDATE … RETURNING, WITH an UPDATE before an INSERT, unnest of two arrays,
// = ANY of an array, ORDER BY with LIMIT, octet_length, transactions of two statements at
// read committed or above; current_setting with its second argument. No sequences,
// triggers, advisory locks, listeners, large objects or functions of ours. It must be set
// to make a commit durable before it answers: where it says that fsync or
// synchronous_commit is off, Open refuses.
//
// The schema is brought up to date by goose (github.com/pressly/goose), out of the files in
// schema/: numbered SQL, applied once each in a transaction.
package pg
