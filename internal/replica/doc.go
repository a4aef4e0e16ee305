// Package replica is what every room above the store shares about one replica: its
// store, its clock, its keys, the people at its screen, and how it stands with the
// practice's server.
//
// It holds no loop and serves nobody. Package query reads a replica, package entry
// writes into it, package replication exchanges its records, and package node runs
// it. Each of them takes a *Replica and uses the part that it needs; what lies
// behind a narrow interface here (LinkState, Seals) is replaced in tests.
//
// Fill in a Replica once, before anything uses it, and change it no more: it has no
// lock of its own.
package replica
