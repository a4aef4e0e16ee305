// Package node is one running replica: the services and pages in front of it and the
// loops that keep it in order. Server and agent fill in a Node, add what only they
// have (loops, services, who may call), and Run it.
//
//	fold     keeps the index up to date, so that a question rarely waits
//	scrub    reads the journal for damage, soon after the start and once a day
//	idle     gives memory back when nothing has been saved for a while
//	metrics  serves counts to a monitoring system
//	pages    serves the pages of people
//
// The order of opening matters: the replica is open before Run, the door of this
// machine is opened by Run, and Ready is told the address once all answer.
package node
