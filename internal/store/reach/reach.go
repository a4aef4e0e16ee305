// Package reach remembers, beside a replica's journal, how far it reached, and
// what was found to be gone until a person has read it.
//
// A journal whose end was cut off looks like a shorter journal. So after each
// commit, and before anybody is told that a record is saved, the new end is
// written down in the file "journal.end". It is a witness and not a truth: it is
// not synced, so after a power cut it may lag behind, but it never runs ahead. It
// outlives the index, which can be lost or built again.
//
// # journal.end, two slots of 64 bytes, integers big endian
//
//	 0   8  magic "THAWEND1"
//	 8   8  count of writes; the slot with the higher one counts
//	16   8  position (segment 4, offset 4) where the journal ended
//	24   8  position of its last record
//	32  28  the beginning of that record's hash
//	60   4  CRC-32C (Castagnoli) of bytes 0 to 59
//
// The slots are written in turn, so a write that is torn leaves the one before.
package reach

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"thawtrail/internal/store/journal"
)

const (
	fileName  = "journal.end"
	magic     = "THAWEND1"
	slotBytes = 64
	atCRC     = slotBytes - 4
	// HashBytes is how much of a record's hash is kept.
	HashBytes = atCRC - 32
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// Mark is how far a journal reached; the zero Mark knows nothing.
type Mark struct {
	End  journal.Position
	Last journal.Position // of the last record
	Hash [HashBytes]byte  // the beginning of its hash
}

// Fits says that a record's hash is the one of the mark.
func (m Mark) Fits(hash []byte) bool { return bytes.HasPrefix(hash, m.Hash[:]) }

// File is an open journal.end. It is used by one goroutine at a time.
type File struct {
	file  *os.File
	count uint64
}

// Open opens the file of a folder, or makes one, and gives what stands there.
func Open(dir string) (*File, Mark, error) {
	file, err := os.OpenFile(filepath.Join(dir, fileName), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, Mark{}, fmt.Errorf("reach: %w", err)
	}
	mark, count, err := read(file)
	if err != nil {
		return nil, Mark{}, errors.Join(fmt.Errorf("reach: %w", err), file.Close())
	}
	return &File{file, count}, mark, nil
}

// Read gives what stands in the file of a folder, and changes nothing.
func Read(dir string) (Mark, error) {
	file, err := os.Open(filepath.Join(dir, fileName))
	if errors.Is(err, fs.ErrNotExist) {
		return Mark{}, nil
	}
	if err != nil {
		return Mark{}, fmt.Errorf("reach: %w", err)
	}
	defer file.Close()
	mark, _, err := read(file)
	return mark, err
}

func read(file io.ReaderAt) (newest Mark, count uint64, err error) {
	raw := make([]byte, 2*slotBytes)
	n, err := file.ReadAt(raw, 0)
	if err != nil && !errors.Is(err, io.EOF) {
		return Mark{}, 0, err
	}
	for b := raw[:n]; len(b) >= slotBytes; b = b[slotBytes:] {
		if m, c, ok := decode(b[:slotBytes]); ok && c > count {
			newest, count = m, c
		}
	}
	return newest, count, nil
}

func decode(b []byte) (m Mark, count uint64, ok bool) {
	if string(b[:8]) != magic || binary.BigEndian.Uint32(b[atCRC:]) != crc32.Checksum(b[:atCRC], castagnoli) {
		return m, 0, false
	}
	end, errEnd := journal.DecodePosition(b[16:24])
	last, errLast := journal.DecodePosition(b[24:32])
	m = Mark{End: end, Last: last, Hash: [HashBytes]byte(b[32:atCRC])}
	return m, binary.BigEndian.Uint64(b[8:]), errEnd == nil && errLast == nil
}

// Forget takes the file of a folder away, whose records lie elsewhere now or are put there
// anew.
func Forget(dir string) error {
	if err := os.Remove(filepath.Join(dir, fileName)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("reach: %w", err)
	}
	return nil
}

// Put writes down how far the journal reaches now. A nil File keeps nothing.
func (f *File) Put(m Mark) error {
	if f == nil {
		return nil
	}
	f.count++
	b := binary.BigEndian.AppendUint64([]byte(magic), f.count)
	b = append(append(append(b, m.End.Encode()...), m.Last.Encode()...), m.Hash[:]...)
	b = binary.BigEndian.AppendUint32(b, crc32.Checksum(b, castagnoli))
	_, err := f.file.WriteAt(b, int64(f.count%2)*slotBytes)
	return err
}

// Close closes the file.
func (f *File) Close() error {
	if f == nil {
		return nil
	}
	return f.file.Close()
}
