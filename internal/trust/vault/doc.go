// Package vault keeps everything of a replica behind one secret.
//
// The secret is a passphrase, typed once a power-on, or a key file on other
// media. It opens a small file, vault.key, that holds one random data key. All
// other keys come from the data key, so a change of passphrase rewrites one
// small file and nothing else.
//
//	passphrase -> argon2id ------\
//	                              key-encryption key -> opens vault.key -> data key
//	key file   -> HKDF-SHA-256 --/
//
//	data key -> HKDF-SHA-256(label) -> journal, index, field keys, device key, …
//
// # The passphrase
//
// Five words, drawn from a list of 1,024: 50 bits. At a thousand tries a second,
// which takes a great many machines at 64 MiB a try (ours, an estimate), half of
// them last some eighteen thousand years. Four letters of each word are enough, so
// it is 20 letters and Enter; spaces between may stay away.
//
// It must not cost more than 20 seconds at a start. By the keystroke-level model
// (sources beside the test, TestAPhraseIsTypedInTwentySeconds), with 1.35 s to
// think of each word:
//
//	who types                                   s a key   with spaces   without
//	mean of 168,000 volunteers, 52 words/min      0.23        12.5 s     11.6 s
//	average non-secretary typist, 40 words/min    0.28        13.8 s     12.6 s
//	slow computer users, 23 words/min             0.52        19.8 s     17.7 s
//	random letters                                0.50        19.3 s     17.3 s
//	worst typist, unfamiliar with the keyboard    1.20        36.8 s     32.0 s
//
// The last one does not fit and is better served by a key file. Nor does typing it
// twice: so one slip is put right by the program (Mend), at the cost of one or two
// more slow tries on the average, and at most a dozen. Of the slips that
// TestOneSlipNeedsNoRetyping draws, 99 of 100 and more need no second typing.
// Gloves and cold hands have no published figure that we could read.
//
// # vault.key
//
//	8 bytes   "ttvault" || format version (1)
//	1 byte    kind: 0 not encrypted, 1 passphrase, 2 key file
//	4+4+1     argon2id: passes, memory in KiB, lanes (big endian; 0 for other kinds)
//	16 bytes  id of the data key; stands in the clear in the journal's headers too
//	16 bytes  salt
//	24 bytes  nonce
//	48 bytes  XChaCha20-Poly1305 of the 32-byte data key; all before it is
//	          authenticated too
//	4 bytes   CRC-32C of all before
//
// Whether a replica is encrypted is decided when it is begun. One begun without
// a secret has a vault of kind 0, and the program says so at each start.
//
// # Boxes
//
// Small secret files (device key, field keys, authority key, PINs) are boxes:
//
//	6 bytes   "ttbox" || format version (1)
//	1 byte    cipher: 0 none, 1 XChaCha20-Poly1305 under the key of the label
//	24 bytes  nonce, when encrypted
//	n bytes   contents; magic, cipher and label are authenticated with them
//	4 bytes   CRC-32C of all before
//
// A box of cipher 0 is refused by an encrypted vault.
//
// # What is not encrypted
//
// Names, sizes and times of files; how many segments the journal has and how
// much was written when; hub.epoch; vault.key itself with the cost of trying a
// passphrase; the running agent's socket. Memory of a running or sleeping
// laptop holds the keys: a thief who takes a laptop that is on has them. The
// old file of a changed passphrase may survive in free blocks of a disk or in a
// backup; whoever has it and the old passphrase has the data key. Somebody who
// can write the folder can put back an older copy of it; the exchange notices
// that, not the vault.
package vault
