// Package pg keeps practices in PostgreSQL, or in a database that speaks its protocol: for
// who hosts more of them than one machine's disk should hold, or wants any machine to serve
// any practice.
//
//	d, err := pg.Open(ctx, pg.Options{URL: "postgres://…"}) // once a process
//	lease, err := d.Take(ctx, name, address)                // *Held: another process has it
//	… lease.Names(), lease.Truth(), until <-lease.Lost() …
//	err = lease.Give()                                      // after all of it was closed
//
// # One process at a time
//
// A practice's row says who has it open: a mark of 16 random bytes that is drawn when it is
// taken, the address at which that process is reached, and until when it is that one's, by
// the database's own clock. The process renews all it has in one statement a second; who is
// not heard of for three seconds loses what another one asks for. The clocks of the machines
// do not matter, and no lock is held between statements or depends on a link that lives.
//
// The lease says who should write. That nobody else does follows from the mark alone: each
// statement that changes something of a practice changes its row too, on the condition that
// the mark is still its own. Whoever has lost it is refused with store.ErrFenced, is told by
// Lost, and acknowledges nothing more, however late a statement of it comes. A process that
// cannot reach the database keeps what it has open, so that people can read, and learns what
// became of it when the database answers again. After ten leases Cut says so: a process of
// many practices lets their links go then, and their laptops find another one, which may
// reach it.
//
// So all links of a practice end in one process, urgent records reach all its streams in
// memory, and nothing listens for notices of the database. Several writers to one practice
// would have needed those, and would have let the hub's own log, which has one author, come
// apart: here it cannot.
//
// # Promises
//
// Those of store.Truth. Frames of a practice have the positions 1, 2, 3 … without a gap, and
// the row says which comes next. A commit is one statement: it moves that row on if it stands
// where this opener believes it stands, and puts the frames in only if it moved. A batch of
// more than 4 MiB takes several, in one transaction. So whatever else happens, a batch is
// there whole or not at all, and two processes never both append.
//
// Frames that are committed together share rows, leaves of up to 1,800 bytes: what a row
// costs beside its bytes is paid once for five or six records of a push. A leaf that cannot
// be read is damage from its first frame to where the next leaf begins.
//
// # When an answer is lost
//
// A connection that breaks in the middle of a commit leaves open whether it happened, and
// the statement may still be on its way. So before anything is concluded the fence in the
// row is moved: that waits for a statement which holds the row, and one that comes later
// no longer fits. In the same transaction the end is read back, and now it is known: the
// batch is there and acknowledged, or it is not and is tried again. While the database
// cannot be reached Commit gives up after Patience, and nothing is acknowledged; for a second
// after that every other Commit is refused at once, so that nobody waits behind others'
// patience. The next one takes out what came of that batch first, as nobody was told of it or
// has read it.
//
// # What the database learns
//
// Names of practices, what laptops call them by, sizes, numbers and times. A leaf is closed
// with XChaCha20-Poly1305 under a key that follows from the replica's own (HKDF-SHA-256, RFC
// 5869, info "thawtrail truth leaf 1"), a random nonce of 24 bytes, and the practice and the
// position of its first frame as what is authenticated beside it: a leaf that was moved,
// swapped or changed is damage. seal.go says how it lies. Small
// files (Names) come closed; vault.key, which opens them, is itself closed under a passphrase
// or a key file that never is in the database.
//
// # What is asked of the database
//
// Tables with primary keys of text and bigint, bytea, timestamptz and interval, bigint
// arithmetic; INSERT … ON CONFLICT, UPDATE … RETURNING, UPDATE … FROM, JOIN, GROUP BY, WITH an UPDATE before
// an INSERT, unnest of two arrays, = ANY of an ARRAY that a question gives, min, max,
// coalesce, ORDER BY with LIMIT, octet_length, current_timestamp, transactions of a few
// statements at read committed or above; current_setting with its second argument. No
// sequences, triggers, advisory locks, listeners, large objects or functions of ours. It must
// be set to make a commit durable before it answers: where it says that fsync or
// synchronous_commit is off, Open refuses.
//
// The schema is brought up to date by goose (github.com/pressly/goose), out of the files in
// schema/: numbered SQL, applied once each in a transaction.
//
// # What a machine keeps
//
// The index, and what it told its people, in the folder that has the practice's name: all of
// it can be made again. The index says itself when the records are not those that it was made
// of (an earlier image of the database was put back): then it is made anew, and the hub begins
// new logs, since it may have written numbers that are gone. A machine with an empty disk
// learns that from its laptops alone, as a server does whose folder is an older copy. When
// another process went on from such an image, and brought as much as there had been, the
// records do not show it: then the openings do (openings.go).
package pg
