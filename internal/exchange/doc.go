// Package exchange is the pure core of how two replicas come to hold the same
// records. It has no I/O, no clock, no goroutine and no randomness: the shell
// around it (gRPC services, the laptop's loop) carries the messages, reads and
// writes the store, and tells this package what happened.
//
// # What the shell owes this package
//
//  1. Hello. Each side sends its Beliefs. Compare names every inequality as a
//     Difference. If Stop finds one, say it and hang up. Act on the rest before
//     anything is sent: OwnLogAhead and OwnLogDiffers mean that this store lost
//     data or has a twin, so open a new epoch at once and never write the old
//     log again; refilling comes by itself from the flows below.
//  2. Send (Push, and the serving side of Pull). Make a Pusher from what is held
//     here and what the other side says it holds. Then, one run at a time:
//     Next, read the records of the wanted log from seq From in the order (seq,
//     hash), CutRun to MaxBytes, send; then Acked (Push: the answer is here),
//     Streamed (Pull: the stream took it), Failed (the link broke) or Unable
//     (CutRun found nothing). Moved says that this store holds more now. When
//     Next has nothing, wait for Moved.
//  3. Receive (the serving side of Push, and Pull). For each run: look up the
//     LogState, Check, and append what was accepted. Only when it is durable
//     here: answer with the tips (Push), or count it as held (Pull). A refusal
//     goes back to the sender and, unless it is a gap, the run is kept aside for
//     a person. The other logs go on.
//  4. Show. StateOf tells a person where a record is: saved here, sent, held on
//     the clinic's server. StatementLog follows one hub's statements and names what does
//     not fit in them.
//
// The order in step 3 is the one that matters: durable first, acknowledge after.
//
// # Logs, tips and runs
//
// A log is a chain of records, each naming the hash of the one before. It has
// one tip, its newest record. When one key wrote two different records at one
// place (a cloned laptop, a restored backup) the log is forked: a tree with
// several tips. Both branches are kept and passed on, and the ledger says so.
//
// A run is consecutive records of one log in the order (seq, hash). In a log
// without a fork that is simply seq, seq+1, seq+2; in a forked stretch the
// branches come woven, so that a plain range scan of the store serves both.
//
// # Signatures
//
// A record is taken when it, or a record after it in its chain, is held already
// or carries a signature that was verified here. So one verification pays for a
// run. Every signature that a store keeps is one that it verified itself: Check
// takes off those it did not need, keeping one for every StoneBytes so that a
// bad link can be served in small pieces later. Signatures are not part of a
// record's hash; taking one off changes no identity. A device signs at least one
// record in StoneBytes of its log.
//
// Damage can take the signed record away and leave what led to it. That is bare:
// it is right, and nobody would take it from here. It is told as missing, up to
// the tip itself, while the tip is told as ever: whose log it is must see where it
// ended. Whoever holds a part of it with a signature sends that again.
//
// # Bounds
//
// All sizes stand in limits.go. State is one small entry for each log.
package exchange
