// Package store is a replica: one façade over the journal, which is the truth,
// and the index, which can always be rebuilt from it.
//
// # What it does
//
//	Append    makes records of this device: chains, stamps, signs, saves
//	Ingest    takes runs of records of other devices: verifies, saves
//	View      answers from folded state
//	ReadRun   reads records of a log, to send them on
//	Changed   wakes whoever waits for something new
//
// # The order that keeps records safe
//
//  1. Records are appended to the journal and synced (one Commit for all who
//     wait at that moment).
//  2. Only then do Append and Ingest return: 'saved here' and 'acknowledged'.
//  3. Later, CatchUp applies the journal to the index: where each record lies,
//     which entities it touches, the folded state of those entities and the
//     cursor, all in one transaction. A query catches up first.
//
// A crash between any two steps loses nothing: what is in the journal past the
// index's cursor is applied again, and applying twice changes nothing.
//
// # Index rows
//
//	c                                   cursor (cursor.go)
//	p/ log seq position                 extent: where consecutive records lie
//	l/ log                              key, lane, epoch, tip of a log
//	e/ entity 00 position               records that touch an entity, by batch
//	o/ entity 00 position               records left out of its state (thin.go)
//	w/ log seq position                 a word that waits for a record (words.go)
//	s/ entity                           folded state, deterministic CBOR
//	t/ entity                           terms under which the state is found; two
//	                                    zero bytes and its line, where it has one
//	i/ term 00 entity                   the same, the other way round
//	u/ entity                           some record of it lacked a right
//	d/ entity                           to be folded again: its record was too big
//	r                                   which entities a change of rights concerns
//	q/ request id                       the record a request made
//	k/ name                             small local facts, not part of the state
//
// # Who owns what
//
// One writer at a time commits (Store.writer); one applier at a time moves the
// cursor (Store.applier); tables in memory are guarded by Store.mu, which is
// held only to look or to publish, never across a disk access.
package store
