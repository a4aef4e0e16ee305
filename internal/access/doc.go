// Package access says who may use a replica: the people who share its machine, by
// PIN (PINs); the phones that are paired to its pages (Phones); and the laptops that
// its books admit to the practice (Members), which every handshake and every call
// from another machine is held against.
//
// What is kept and compared (hashes, pairings, certificates) is in package trust;
// here it meets the books: names, rights, revocations.
package access
