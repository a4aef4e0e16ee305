package journal

import (
	"encoding/binary"
	"hash/crc32"
)

// MendChecksums makes a changed frame pass its checksums.
func MendChecksums(head, body []byte, p Position) {
	binary.BigEndian.PutUint32(head[8:], crc32.Checksum(body, castagnoli))
	binary.BigEndian.PutUint32(head[12:], frameHeaderCRC(p, head))
}

// MendHeader makes a changed segment header pass its checksum.
func MendHeader(head []byte) {
	binary.BigEndian.PutUint32(head[76:], crc32.Checksum(head[:76], castagnoli))
}
