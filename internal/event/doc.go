// Package event is the record: one fact, signed by the device that wrote it.
//
// # The bytes
//
// A record is three byte strings (message Record in record.proto):
//
//	header     a serialized Header: log, seq, prev, clocks, entities, type …
//	payload    the serialized message of the event type
//	signature  Ed25519 over signContext + header; may be empty inside a run
//
// The header holds the SHA-256 of the payload, so hashing and signing the
// header covers both. A record's hash, its identity everywhere, is
//
//	SHA-256("thawtrail record 1" || 0x00 || header)
//
// The bytes that were signed are the bytes that are stored, sent and checked:
// nothing re-marshals a header or a payload after Seal.
//
// # Logs
//
// A device writes two logs, ordinary and urgent. A log begins with a record of
// type LogOpened at seq 0 whose header names no log; its hash is the log's id.
// Every later record names the log, its seq and the hash before it. A signature
// vouches for all records before it in its log, because each header holds the
// hash of the one before: a batch costs one verification and a hash each.
//
// # Time
//
// The hybrid clock (HLC) gives every record a place in the written order:
// (hlc, log, seq, hash). It is never shown to a person. OccurredAt is when the
// fact happened, as told; the happened order is (occurred at, written order).
//
// # Types
//
// The event type is the field number in Entry.body. The rules beside the fields
// in the .proto files say what is checked, which entities a record touches, who
// may write it and into which lane it goes; Catalog reads them once.
//
// The package is pure: no clock, no randomness, no I/O. What varies is passed in.
package event
