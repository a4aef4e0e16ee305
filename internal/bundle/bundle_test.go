package bundle

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/crypto/chacha20poly1305"
	"google.golang.org/protobuf/proto"

	pb "thawtrail/proto/thawtrail/v1"
)

var (
	testKey   = bytes.Repeat([]byte{7}, chacha20poly1305.KeySize)
	testStart = append([]byte(magic), append([]byte{version}, bytes.Repeat([]byte{9}, saltSize)...)...)
	testHead  = &pb.ParcelHead{Practice: "5Q", PracticeName: "Alder Creek Equine", DeviceName: "north"}
)

// written is a file with two parts of keys and three runs, and where each part
// ends.
func written(t testing.TB) (file []byte, ends []int) {
	var b bytes.Buffer
	w, err := newWriter(&b, testKey, bytes.Clone(testStart), testHead)
	require.NoError(t, err)
	mark := func(err error) {
		require.NoError(t, err)
		ends = append(ends, b.Len())
	}
	mark(nil)
	for i := range 2 {
		mark(w.Keys([]*pb.FieldKey{{KeyId: []byte{byte(i)}}}))
	}
	for i := range 3 {
		mark(w.Run(&pb.Run{From: uint64(i), Records: [][]byte{{byte(i)}, {1, 2, 3}}}))
	}
	require.EqualValues(t, 6, w.Records())
	mark(w.Close())
	return b.Bytes(), ends
}

// read counts what a file gives until its end or an error.
func read(file []byte, key []byte) (keys, runs int, err error) {
	if len(file) < headSize {
		return 0, 0, ErrNotOurs
	}
	r, err := newReader(bufio.NewReader(bytes.NewReader(file[headSize:])), key, bytes.Clone(file[:headSize]))
	if err != nil {
		return 0, 0, err
	}
	for {
		k, run, err := r.Next()
		switch {
		case errors.Is(err, io.EOF):
			return keys, runs, nil
		case err != nil:
			return keys, runs, err
		case run != nil:
			runs++
		default:
			keys += len(k)
		}
	}
}

func TestAFileComesBack(t *testing.T) {
	file, _ := written(t)
	keys, runs, err := read(file, testKey)
	require.NoError(t, err)
	require.Equal(t, 2, keys)
	require.Equal(t, 3, runs)
}

// TestACodeOpensItsFile goes the whole way, with the cost that a guess has.
func TestACodeOpensItsFile(t *testing.T) {
	random := bytes.NewReader(bytes.Repeat([]byte("some random bytes, "), 40))
	code, err := NewCode(random)
	require.NoError(t, err)
	require.Len(t, strings.ReplaceAll(code.Text(), "-", ""), codeChars+1)
	again, err := ParseCode(strings.ToLower(strings.ReplaceAll(code.Text(), "-", " ")))
	require.NoError(t, err)
	require.Equal(t, code, again)
	require.NotContains(t, code.String(), code.chars)

	var b bytes.Buffer
	w, err := NewWriter(&b, code, random, testHead)
	require.NoError(t, err)
	require.NoError(t, w.Close())
	r, err := NewReader(bytes.NewReader(b.Bytes()), again)
	require.NoError(t, err)
	require.True(t, proto.Equal(testHead, r.Head))
	_, _, err = r.Next()
	require.ErrorIs(t, err, io.EOF)

	other, err := NewCode(random)
	require.NoError(t, err)
	_, err = NewReader(bytes.NewReader(b.Bytes()), other)
	require.ErrorIs(t, err, ErrWrongCode)
}

// TestASlipInTheCodeIsNamed tries every wrong character at every place, and every
// swap of neighbours.
func TestASlipInTheCodeIsNamed(t *testing.T) {
	const alphabet = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
	code, err := NewCode(bytes.NewReader(bytes.Repeat([]byte{201, 3, 99, 18, 77, 240, 5, 66, 31, 8}, 100)))
	require.NoError(t, err)
	text := strings.ReplaceAll(code.Text(), "-", "")
	for i := range text {
		for _, c := range alphabet {
			slip := text[:i] + string(c) + text[i+1:]
			if _, err := ParseCode(slip); slip != text {
				require.Error(t, err, slip)
				require.NotContains(t, err.Error(), text[:6], "a refusal does not echo the code")
			}
		}
	}
}

// TestNoFlippedByteIsTaken flips every byte of the file in turn.
func TestNoFlippedByteIsTaken(t *testing.T) {
	file, _ := written(t)
	for i := range file {
		bad := bytes.Clone(file)
		bad[i] ^= 0x20
		_, _, err := read(bad, testKey)
		require.Error(t, err, "byte %d", i)
	}
}

// TestACutFileIsNotWhole cuts the file at every byte.
func TestACutFileIsNotWhole(t *testing.T) {
	file, ends := written(t)
	for i := range file {
		_, _, err := read(file[:i], testKey)
		require.Error(t, err, "cut at %d", i)
		if i >= ends[0] {
			require.ErrorIs(t, err, ErrCutOff, "cut at %d", i)
		}
	}
	_, _, err := read(append(bytes.Clone(file), 0), testKey)
	require.ErrorIs(t, err, ErrDamaged, "nothing follows the end")
}

// TestPartsKeepTheirPlaces drops, repeats and swaps parts.
func TestPartsKeepTheirPlaces(t *testing.T) {
	file, ends := written(t)
	part := func(i int) []byte { return file[ends[i-1]:ends[i]] }
	for name, body := range map[string][][]byte{
		"dropped":  {part(1), part(2), part(3), part(5), part(6)},
		"repeated": {part(1), part(2), part(3), part(3), part(4), part(5), part(6)},
		"swapped":  {part(1), part(2), part(4), part(3), part(5), part(6)},
		"end only": {part(6)},
	} {
		_, _, err := read(append(bytes.Clone(file[:ends[0]]), bytes.Join(body, nil)...), testKey)
		require.ErrorIs(t, err, ErrDamaged, name)
	}
}

// TestNoPartAsksForMemory claims parts that are larger than any can be.
func TestNoPartAsksForMemory(t *testing.T) {
	for _, n := range []uint32{0, 1, overhead, MaxPart + 1, 1<<32 - 1} {
		_, _, err := read(append(bytes.Clone(testStart), binary.BigEndian.AppendUint32(nil, n)...), testKey)
		require.Error(t, err, "%d bytes", n)
	}
	_, err := NewReader(strings.NewReader("hello"), Code{})
	require.ErrorIs(t, err, ErrNotOurs)
	_, err = NewReader(strings.NewReader("../../etc/passwd, and more than a head has"), Code{})
	require.ErrorIs(t, err, ErrNotOurs)
	_, err = NewReader(bytes.NewReader(append([]byte(magic), bytes.Repeat([]byte{9}, 40)...)), Code{})
	require.ErrorIs(t, err, ErrNewer)
	w, err := newWriter(io.Discard, testKey, testStart, testHead)
	require.NoError(t, err)
	require.Error(t, w.Run(&pb.Run{Records: [][]byte{make([]byte, MaxPart)}}))
}

func FuzzReadFile(f *testing.F) {
	file, _ := written(f)
	f.Add(file[headSize:])
	f.Fuzz(func(t *testing.T, rest []byte) {
		if _, runs, err := read(append(bytes.Clone(testStart), rest...), testKey); err == nil && runs != 3 && !bytes.Equal(rest, file[headSize:]) {
			t.Fatal("a forged file was taken")
		}
	})
}

// FuzzReadPart hands over parts that were sealed under the right key.
func FuzzReadPart(f *testing.F) {
	head, err := proto.Marshal(testHead)
	require.NoError(f, err)
	f.Add(append([]byte{kindHead}, head...), []byte{kindEnd})
	f.Add(append([]byte{kindHead}, head...), append([]byte{kindRun}, 0x1a, 1, 5))
	f.Fuzz(func(t *testing.T, first, second []byte) {
		var b bytes.Buffer
		w, err := newWriter(&b, testKey, bytes.Clone(testStart), testHead)
		if err != nil {
			t.Fatal(err)
		}
		b.Truncate(headSize)
		w.parts = 0
		for _, part := range [][]byte{first, second} {
			if len(part) > 0 && w.seal(part) != nil {
				return
			}
		}
		_, _, _ = read(b.Bytes(), testKey)
	})
}
