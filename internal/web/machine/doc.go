// Package machine is the pages about this machine and who uses it: one's own PIN, a
// second browser, the phones that are let in, entries that wait for a name, and a
// case that is taken over from another laptop by code or by file.
//
// All of them belong to the browsers of this machine, and none is for phones but
// signing and taking over by code. A code that opens a file stands in no address.
package machine
