// Package store is a replica: one façade over the journal, which is the truth,
// and the projection, whose index can always be rebuilt from it.
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
//  1. Records are appended to the journal and synced (one commit for all who
//     wait at that moment).
//  2. Only then do Append and Ingest return: 'saved here' and 'acknowledged'.
//  3. Later, CatchUp applies the journal to the index (package projection). A
//     query catches up first, so it passes every record saved before it.
//
// A crash between any two steps loses nothing: what is in the journal past the
// index's cursor is applied again, and applying twice changes nothing.
//
// Two witnesses say how far the journal had reached, should its end be cut off: the
// index's cursor, and a small file beside it that outlives the index (reached.go).
//
// # When the disk fails
//
// The index is the first to stop on a disk that is nearly full, and any failure to
// write it is taken the same: it goes on in memory over what is on the disk
// (index.Cover), is written down once that can be, and after a stop the journal is
// applied again. Answers stay new, Trouble says why. The journal takes records until its
// reserve is used up; Room says what is left.
//
// What it cannot read is passed over and asked of others. Once it can read that again,
// TakeBack takes it back, or the next start does.
//
// # Where the truth lies
//
// All of the above asks a small interface, Truth (truth.go); Options.Truth opens it, and
// the file journal is it where nothing is said. Whatever else keeps one must keep the laws
// of package truthtest. What a disk of this machine alone can tell (room, a reserve, what
// can be read again) is asked of Disk, where the truth is one.
//
// # What it never does
//
// It uses no number of an own log twice: where records of this device may be gone
// from the disk, or came back to it, it goes on in new logs (restore.go). It changes
// no record, drops none that it took, and holds none back that the practice wrote;
// logs foreign to the practice have a bounded place (foreign.go). It says nothing of
// a record before it is on the disk.
//
// # Who owns what
//
// Each lock guards the named fields of one struct and no others:
//
//	writer.mu           the one that commits; what each laptop brought (write.go)
//	writer.queue.mu     those who wait for the writer
//	logs.mu             what is known of every log (logtable.go)
//	author.mu           what our next record says beside its fact (authorship.go)
//	report.mu           what was found and mended, for people (damage.go)
//	again.mu            the one that saves records again (again.go)
//	again.known         what is known of stranded records
//	signals.mu          whoever waits for something new (signals.go)
//
// and in the projection the applier, which moves the cursor, and the backlog.
//
// They are taken in this order: again, writer, then applier. All others are held only to
// look or to publish, never across an access of the disk, and never with another
// of them. So a commit publishes in steps: the projection first, then the table of
// logs, then what we write next, and when all is in place whoever waits is woken
// (pendingCommit.publish). A reader goes the other way: it looks what a log is said
// to hold, and then where that lies.
package store
