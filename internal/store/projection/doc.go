// Package projection keeps the index in step with the journal, and answers from
// it. The journal is the truth; all that is here can be built from it again.
//
// # The order of calls
//
//	Open      opens the index
//	Restore   brings it to where the journal ends, and says whether records are gone
//	Add       takes note of each commit, before anybody is told of it
//	CatchUp   applies what the index lacks; View does so first
//	Close     waits for the transaction that is under way
//
// # One transaction
//
// A batch of records is applied in one transaction (apply.go, application.go):
// where each record lies (extents.go), which entities it touches, what it says of
// other logs (attestations.go), the state of its log (log.go), the folded state of
// what it touched (fold.go, prune.go), and the cursor. A crash leaves all of it or
// nothing, and applying twice changes nothing. An index that was not closed well
// may have lost rows from the middle: then applying starts again from well behind
// the cursor (cursor.go).
//
// Two things come out of that order. A change of rights concerns entities that no
// record of the batch touched; they are folded again in transactions of their own
// (refold.go). And what this device wrote and what is urgent need not wait behind
// thousands of records of others; it is applied with priority, without the cursor
// (priority.go).
//
// # Far behind
//
// An index with thousands of records to go gathers what is applied to it in memory
// (gather.go): an entity that is touched again and again is written once, in the order
// of keys, when the replica has come to rest or much was gathered. Answers come from
// memory meanwhile. Where little lay in the index before, as on a laptop that has just
// joined, that is read once, so that nothing below is asked for what it does not have.
// What is gathered is gone after a stop: Settle makes durable first what lay there
// before, so that a stop costs applying again and nothing else. A stop while it writes down
// leaves rows that are ahead of the cursor; how far they go stands beside them, in case the
// journal does not go so far any more, and for rights that stand there without their effect.
//
// # Who goes first
//
// Whoever enters something does not wait for what laptops exchange. At the applier the
// one with priority is the next to go in, however many others wait (turnstile.go), and a
// batch is no more than folds in some milliseconds (apply.go), so that at most one such
// batch is before it. CatchUp ends where the journal ended when it was called: it does
// not chase what comes meanwhile. Before all this the store's writer does the same:
// entries are committed before urgent runs and those before others, of which no more than
// a megabyte is saved at a time, and runs are verified before the writer is held.
//
// # What is remembered
//
// A fold needs all records of an entity, and many entities are touched by batch after
// batch. While there is more to apply, records that were decoded or read are remembered
// with their payloads (known.go), some thousands of them and no more than a few megabytes;
// where a record stands is worked out once for each state of the rights. At the end of the
// journal they are forgotten, but for some hundred on which the state of logs rests (a
// statement of the server names many logs, and comes often), and for those of a case that
// is written now, while they are few. Records never change and a position never holds
// another one, so that nothing remembered can be out of date; what could not be read is not
// remembered, and is tried again. When damage is found, all of it is read anew.
//
// # Index rows
//
//	c                                   cursor (cursor.go)
//	n                                   the cursor that is to come, while rows up to it
//	                                    are written down
//	p/ log seq position                 extent: where consecutive records lie
//	l/ log                              key, lane, epoch, tip of a log
//	e/ entity 00 position               records that touch an entity, by batch
//	o/ entity 00 position               records pruned from its fold (prune.go)
//	w/ log seq position                 an attestation that waits (attestations.go)
//	s/ entity                           folded state, deterministic CBOR
//	t/ entity                           terms under which the state is found; two
//	                                    zero bytes and its line, where it has one
//	                                    (ledger.BagLine, ledger.CaseLine)
//	i/ term 00 entity                   the same, the other way round; for bags in
//	                                    stock with the line less its books (lines.go)
//	u/ entity                           some record of it lacked a right
//	d/ entity                           to be folded again: its record was too big
//	r                                   which entities a change of rights concerns
//	q/ request id                       the record a request made
//	a/ hash                             where a record lies that carries the one of
//	                                    this hash, which was saved again
//	k/ name                             small local facts, not part of the state
//
// # What it never does
//
// It writes nothing to the journal and makes no record. It knows the replica only
// by the interfaces and functions in Options, which never ask it in turn. State
// depends on which records the journal holds, and not on the order in which they
// came, nor on batches, priority or restarts.
//
// # Who owns what
//
// One applier at a time moves the cursor (Projection.applier, held through a whole
// transaction; it guards the cursor, the rights, the size of a batch, how far priority
// went and what is remembered). What is committed and not yet applied stands in the backlog,
// whose lock is held only to look or to publish. The applier is taken first.
package projection
