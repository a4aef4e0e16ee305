// Package bench measures this program against the limits of the machine it runs
// on, in the same run, and says both.
//
//	thawtrail bench                    all measures, as a table
//	thawtrail bench --json             one JSON object a measure and line
//	thawtrail bench --only push_folded_100k
//	thawtrail bench --whole --table testdata/bench/speed.tsv
//
// # The nights
//
// All records come from package nights, with a fixed seed: a foal that is treated
// each night, about 35 records of about 300 bytes, out of a freezer that holds a
// fortnight's bags, and no entity touched by more than 40 of them.
//
// # The limit
//
// The raw pipeline (raw.go) carries the same bytes the shortest way that still
// verifies: gRPC over mutual TLS 1.3 on loopback, batches of 1 MiB on one
// stream, each acknowledged before the next, a hash chain over the records and one signature a batch, and one
// synced Badger transaction a batch at the receiver. It folds nothing, indexes
// nothing and knows nothing.
//
// A ratio is our seconds over the limit's. Ours runs the real server and the real
// agent, in this one process as the limit does, over the same kind of link, and
// encrypted on the disk, which the limit is not. limit_plain_seconds is the limit
// without TLS, and limit_streamed_seconds the limit when the sender does not wait
// for acknowledgements, so that all comparisons can be made.
package bench
