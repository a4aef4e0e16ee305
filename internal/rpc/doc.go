// Package rpc is the contract over gRPC: thin services over the rooms that do the
// work (query, entry, plans, access, replication), the status code of each kind of
// error, and how links are dialled and kept alive.
//
// A service is a struct that embeds the room under the contract's name; a method
// that the room lacks does not compile. Errors go through one table (errors.go):
// rooms return refusals and failures, never status codes, and Refusal reads one
// back on the other side of a wire.
//
// Who may call is decided before any service sees the call (trust/authority.Gate):
// an admitted laptop exchanges records, a stranger may join, and all else is for
// callers of this machine alone.
package rpc
