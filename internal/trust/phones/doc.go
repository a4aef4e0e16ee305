// Package phones is the book of the phones that may use one laptop's pages.
//
// A person at the laptop says for whom a phone is, and reads a one-time code off
// the screen. Whoever types the code into a browser within ten minutes gets a
// session of that one person. The session lasts until it is revoked at the
// laptop: nothing expires in a barn.
//
//	code     8 random digits, in memory only, for ten minutes and one phone
//	session  id (8 hex digits) "." secret (32 random bytes, hex), in a cookie
//	book     id, name, person, SHA-256 of the secret, when; in an encrypted box
//
// A code is digits alone because a phone then offers its large keys. Ten wrong
// tries may come at once and then one in six seconds, from all phones together.
// In the ten minutes of a code that is 110 tries at 100,000,000 codes, of which
// at most four are open: a guesser who never rests wins once in 227,000 times ten
// minutes in which somebody pairs a phone.
//
// The clinic's server keeps the same book of the browsers on the clinic's network: there
// an owner or somebody of the clinic lets them in.
//
// The secret is random, so that its bare hash is enough: there is nothing to try.
package phones
