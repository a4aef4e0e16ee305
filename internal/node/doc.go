// Package node is one running replica: the services and pages in front of it and the
// loops that keep it in order. Server and agent fill in a Node, add what only they
// have (loops, services, who may call), and Run it.
//
//	fold     keeps the index up to date, so that a question rarely waits
//	scrub    reads the journal for damage, soon after the start and once a day
//	idle     gives memory back when nothing has been saved for a while
//	watch    looks every few seconds at what a monitor is to know within a minute
//	metrics  serves what was seen and counted to this machine's monitor
//	pages    serves the pages of people
//
// Two things may end the program: its journal cannot be opened, or the listener of
// commands fails. All else is a Part behind them and is supervised (supervise.go): a
// failure is logged, shown by the status, the health service
// ("thawtrail.part.NAME") and a gauge, and the part is tried again after a pause
// that grows to a minute. So a full or failing disk, a port that is taken and a broken
// link keep nobody from entering what happens. A panic is a fault of ours and ends it.
//
// The order of opening matters: the replica is open before Run, the door of this
// machine is opened by Run, and Ready is told the address once all answer.
package node
