// Package bundle is the file in which records are carried by hand, on a stick,
// where there is no network: the books of a laptop for a server that is restored,
// or a running case for a second laptop.
//
// It carries the very bytes that were signed, in runs, as the exchange does. Who
// reads it trusts nothing in it: exchange.Check verifies each run against what is
// held, as if it had come over a link. The encryption is for the stick that is
// lost, and for the keys of sealed fields that travel beside the records.
//
// # The code
//
// A file opens with a one-time code that stands on the screen of the laptop that
// wrote it: 13 characters of base 32, 65 random bits, and a check character.
// Whoever finds the stick can guess at home, so the code is long and each guess
// costs what a guess at a passphrase costs (argon2id, three passes over 64 MiB:
// the second recommended choice of RFC 9106 section 4). 2^65 such guesses are out
// of reach. The cost belongs to the version: no file can ask for more memory.
//
// # Byte by byte
//
//	7 bytes    "ttcarry"
//	1 byte     version: 1, or 2 of a backup
//	16 bytes   salt, random; with the code it makes the file's key
//
// then parts, without an end mark of their own:
//
//	4 bytes    n, big endian: length of the sealed part, 17 to MaxPart
//	n bytes    XChaCha20-Poly1305 under the file's key
//	             nonce: 16 zero bytes, then the part's number from 0, 8 bytes, big endian
//	             additional data: the 24 bytes before the first part
//
// A key serves one file, so a number never comes twice under it, and a part that
// was moved, dropped or put in from another file does not open. An opened part is
//
//	1 byte     kind
//	n - 17     a serialized message
//
//	kind  message      how many
//	1     ParcelHead   one, first: whose books, and from where to where each log runs
//	2     PushRequest  any number, its keys alone: keys of sealed fields, before the runs;
//	                   in a backup also between them
//	3     Run          any number: records of one log, ending at a signature
//	4     ParcelEnd    one, last: how many records there are. A file without it is cut off
//
// Nothing follows the end. Reader and Writer hold one part at a time.
//
// # Backups
//
// A backup is such a file of all records of one machine, and differs in three things.
// Its code is the same for all backups of the machine, which writes them while nobody
// is there to read a code: CodeOf makes it from a secret that the machine keeps, on the
// server from the key that the recovery sheet holds. The salt, and so the file's key,
// is each file's own. Keys may come between runs, so that what is saved while it is
// written can be added at its end, and the last part says until which moment all is in
// it. And one that was broken off can be gone on with (GoOn): its parts are read up to
// the last that opens, and the next one is written behind it under the next number.
// What stood there of a part that was cut off was sealed under that number already, so
// the same part must come again; whoever goes on compares, and begins anew under a new
// salt when it does not (replication.BackupFile).
//
// # Versions
//
// A reader refuses a version that it does not know, and a kind that it does not
// know: a file is written for one reading, so the writer can write the older one.
package bundle
