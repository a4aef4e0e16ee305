// Package sim is the deterministic simulation of a practice: one hub and a few
// laptops, each with the production store over a disk in memory that can crash,
// its own wrong clock and its own key, joined by a link that loses, doubles,
// delays, reorders and cuts what it carries. It has no code of its own outside
// its tests.
//
// Both sides of a session are the production code too: replication.Session and
// replication.Stream are taken step by step, replication.Responder answers,
// replication.Statements states, replication.Bundles carries by hand, access.Admission
// lets laptops in and access.Office puts a new server in its place. The simulation is the
// wire between them, and decides when each takes its next step.
//
// # One goroutine, one seed
//
// A seed gives a list of steps; a step is a name, a node and a number, and all
// that happens inside it is drawn from that number. So the same list always does
// the same, a list can be written to a file as text, and a shorter list still
// means something: when a seed fails, steps are left out while it still fails,
// and what is left is printed.
//
//	go test ./internal/sim                            the usual seeds, always the same
//	go test ./internal/sim -run 'TestSeed$' -seed 123 one seed, with its steps
//	go test ./internal/sim -run 'TestSeeds$' -first 7000 -seeds 1000
//	                                                  a range of seeds
//
// .ci/run takes a thousand seeds that nobody ran before, by the day's date, and
// .ci/long a hundred thousand. Worlds run side by side on all cores; none knows of
// another.
//
// A trace that was found during development lies in testdata/sim and is replayed
// in every run.
//
// # What happens
//
// Besides the link: machines crash, also inside a write, and come back with an older
// index or none; disks are full, refuse writes or cannot be read, and get well under a
// machine that runs on; bytes decay; the newest file of a journal goes; the index has no
// room; readers fall silent; clocks are set; a folder is copied, both copies write and
// both are told; keys of sealed words are lost, and compared by their ids; several
// callers of one store write at once; an older copy of a disk is put back; the hub loses
// all, or a new machine takes its place with a laptop's file; laptops join that wrote
// before; an index far behind gathers in memory, settles, and may lose what it gathered.
//
// In TestProcesses the hub's records lie where several processes reach them, as in a
// database: one takes the practice over from another, which has its links open still.
//
// # What is checked
//
// After every step, on the nodes that took part:
//
//	kept      whatever was acknowledged here is in the journal and readable; a tip
//	          stands for all that leads to it
//	tables    what the store says it holds of each log is what its journal holds
//	folded    the state is the fold of the records from scratch (now and then)
//	shown     what was shown before is shown, or a record says why not (now and then)
//
// At the end all links are healed, all nodes started and whole sessions run, a
// bounded number of times. Then all nodes hold the same records and the same
// bytes of state, equal to those of a model that is a set, a sort and a fold; and
// every place of a log with two records is an open discrepancy; and a private note
// that one of them can read is read by all.
//
// Production code that says no ends the session. It may do so on a disk that fails,
// to bytes that were cut, and at a gap, and at nothing else.
//
// # What is excused
//
// A restored backup takes records with it that nobody else had, and so does a
// disk that is lost. What followed such a record in its log cannot be verified by
// anyone who does not hold it already, so it stays where it is, until the laptop that
// wrote it meets the server and saves it again in a new log; what the hub itself wrote
// it saves again once a laptop waits for it. The model says which
// records those are.
package sim
