// Package journal keeps frames of opaque bytes on disk, in order, for good.
//
// It is the one truth of a replica: whatever the replica acknowledges, to a
// person or to a peer, was first given to Commit, and Commit returned nil.
// Everything else on the disk can be rebuilt from here. The package knows
// nothing of records; it takes bytes and gives positions.
//
// # Use
//
//	j, report, err := journal.Open(journal.Options{FS: journal.OSFS{}, Dir: dir, Now: clock.Now})
//	positions, err := j.Commit(frames)   // nil error: the frames are on the disk
//	frame, next, err := j.ReadAt(positions[0], nil)
//	err = j.Scan(journal.Position{}, onFrame, onDamage)
//
// The caller must hold an exclusive lock on the directory (package filelock): two
// writers would write over each other.
//
// # Promises
//
//   - Commit returns nil only after the file, and the directory entry of a new
//     file, were synced. Such a frame is acknowledged.
//   - A frame whose Commit failed is not acknowledged. It is never seen by a
//     reader of this run. After a restart it may be there or not; it is there
//     at most once.
//   - A failed write or sync poisons the segment. The kernel may have dropped
//     the unwritten pages and marked them clean, so that a second sync on the
//     same file would answer "fine" for nothing (Rebello and others, "Can
//     Applications Recover from fsync Failures?", USENIX ATC 2020). The
//     descriptor is closed, a new segment is begun and the whole batch is
//     written there.
//   - Damage is found by checksum (and by authentication when encrypted),
//     reported, stepped over and left where it is. Only the unreadable end of
//     the last segment is taken for a torn write, and even that is reported.
//   - What the disk cannot read, after a second try, is damage too: one sector
//     costs the frames that reach into it, and ends no reading of the rest. At the
//     end of the journal it is never taken for a torn write.
//   - No acknowledged byte is ever overwritten or deleted.
//
// A process may also die after a failed sync, before it could begin a new
// segment. Its last batch then looks whole to the next process, out of memory
// that will never reach the disk. So Open writes the bytes of the last batch
// once more, unchanged, before it syncs. Batches before it need nothing: each was
// synced before the next was written.
//
// Limits, so that nobody is surprised: a flipped byte in the last frame of all
// looks like a torn write (the caller's own cursor is the witness against
// that); and a disk that answers a sync before it is done can lose what it
// acknowledged.
//
// # Files
//
// Segment n is the file "n.journal" with n as ten decimal digits, from 1. The
// file "reserve" holds 1 MiB of nothing; it is removed when the disk is full,
// so that the next records still fit, and made again when there is room.
//
// # Segment header, 80 bytes, integers big endian
//
//	 0   8  magic "THAWJRNL"
//	 8   2  format version, 1
//	10   1  cipher: 0 none, 1 AES-256-GCM
//	11   1  zero
//	12   4  segment number, the same as in the file name
//	16   8  position (segment 4, offset 4) where the journal ended when this
//	        segment was begun; zero for the first
//	24   8  time of creation, milliseconds since 1970-01-01 UTC
//	32  16  key id, padded with zero bytes; all zero when not encrypted
//	48   8  session: random for each run of the program; zero when not encrypted
//	56  16  AES-GCM tag over bytes 0 to 55 as additional data, nonce session and
//	        offset zero; all zero when not encrypted
//	72   4  offset from which the end of the segment before was unsettled, 0 for none
//	76   4  CRC-32C (Castagnoli) of bytes 0 to 75
//
// The position at byte 16 is what makes recovery safe: bytes of older segments
// past it were never acknowledged and are not read, so a batch written again
// after a failure is not seen twice, a torn end needs no truncation, and a
// missing or shortened segment is noticed.
//
// # Frame, 16 bytes and a body
//
//	 0   3  magic F7 54 66
//	 3   1  1 for the first frame of a batch, 0 for the others
//	 4   4  body length in bytes, at least 1
//	 8   4  CRC-32C of the body
//	12   4  CRC-32C of the frame's own position (8 bytes) and bytes 0 to 11
//	16   n  body
//
// Without a cipher the body is the caller's bytes. With one it is the session
// (8 bytes), the ciphertext and the tag (16 bytes). The key of a segment is
// HKDF-SHA256 (RFC 5869) of the journal's key, no salt, with the info
// "thawtrail journal segment 1" and the segment number in 4 bytes. The nonce is
// the session and the frame's offset in 4 bytes. A session is drawn anew for
// each run, so an offset written again after a crash never meets the same nonce.
//
// The position inside the header checksum keeps a stale or copied frame from
// being taken for a real one when the reader looks for the next frame after
// damage.
package journal
