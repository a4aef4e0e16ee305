// Package replication is the exchange of records between two replicas, both halves
// of it, in production code that needs no network.
//
// A Link is the side that calls: a laptop. It keeps sessions going: hello compares
// what both sides believe, then one half pushes what the other lacks and one half
// pulls, until the link ends. A Responder is the side that answers: the hub. Between
// them stands Peer, a transport of four calls; package rpc carries it over gRPC, and
// a test may call the Responder directly.
//
//	Link ---- Peer ----> Responder        hello, push, pull, keys
//	Link <--- Incoming - Outgoing         the stream that stays open
//
// What each side does is written as steps that wait for nothing: Link.Greet and
// Link.Meet begin a Session, whose Next, Answered, Ask and Take say what to send and
// what became of what came; Responder.Open begins a Stream, whose Step sends one
// message. Link.Run and Responder.Pull are loops over these steps. Package sim takes
// the same steps one by one, and is the wire between them.
//
// The decisions (what differs, which run goes next, what verifies) are made by the
// pure core in package exchange; here they meet the store, the clock and the wire.
// A record is acknowledged when the store says that it is durable, never before.
// What does not verify is kept in quarantine for a person, and the rest goes on.
//
// Statements are the hub's signed word of what it accepted. Bundles carry the same
// runs of records in a file, by hand, for places without any network.
//
// Memory is bounded on both sides: batches of at most exchange.MaxBatchBytes, one
// run read ahead, at most MaxPullStreams streams and MaxPullsOfDevice of one laptop.
package replication
