// Package seal keeps private words in records that can never be deleted.
//
// A client's name, telephone and address, the yard of a case or mare whose client is
// known, who agreed or answered in that client's place, and every note are written into
// records sealed: encrypted under a key that lives outside the journal. To forget a
// client, each laptop drops that key for ever; the records stay, and nobody can
// read those words in them any more, on that laptop. What was copied, printed or
// kept on a laptop that has not heard yet is out of this program's reach.
//
// # One field
//
//	key id      first 16 bytes of SHA-256("thawtrail field key 1" || 0x00 || key)
//	nonce       24 random bytes
//	ciphertext  XChaCha20-Poly1305 over the words, with the additional data
//	            "thawtrail sealed field 1" || 0x00 || kind || id || field,
//	            each of the three behind its length (unsigned varint)
//
// The additional data ties the field to its place: it opens nowhere else. The
// cipher alone would let one ciphertext open under two keys to two texts; the key
// id commits to one key, and Open checks it. The length of the words shows.
//
// # Where keys live
//
// A Keyring is all keys that this replica holds. The caller encrypts what Encode
// gives and writes it durably before it acknowledges the records that need it.
// The file, before that encryption:
//
//	8 bytes   "ttkeys" || 0x00 || format version (1)
//	n         unsigned varint, number of keys; then for each, in the order of ids:
//	          32 bytes key, then kind and id of its entity, each behind its length
//	n         unsigned varint, number of forgotten key ids; 16 bytes each, ascending
//	n         unsigned varint, number of forgotten entities; kind and id each,
//	          behind their lengths, ascending
//	4 bytes   CRC-32C of all before, big endian
//
// Randomness is passed in. There is no I/O.
package seal
