package seal

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"hash/crc32"
	"io"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/crypto/chacha20poly1305"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"thawtrail/internal/event"
	"thawtrail/internal/testrun"
	pb "thawtrail/proto/thawtrail/v1"
)

// draws is a source of bytes that repeats from a seed.
type draws byte

func (d draws) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = byte(d) + byte(i)
	}
	return len(p), nil
}

func testKey(n byte) Key { return must(NewKey(draws(n))) }

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

var hollis = event.Key{Kind: "client", ID: "5Q"}

// The cipher is the one of draft-irtf-cfrg-xchacha-03, appendix A.3.1.
func TestCipherIsThePublishedOne(t *testing.T) {
	unhex := func(s string) []byte { return must(hex.DecodeString(s)) }
	aead := must(chacha20poly1305.NewX(unhex("808182838485868788898a8b8c8d8e8f909192939495969798999a9b9c9d9e9f")))
	got := aead.Seal(nil, unhex("404142434445464748494a4b4c4d4e4f5051525354555657"),
		[]byte("Ladies and Gentlemen of the class of '99: If I could offer you only one tip for the future, sunscreen would be it."),
		unhex("50515253c0c1c2c3c4c5c6c7"))
	require.Equal(t, "bd6d179d3e83d43b9576579493c0e939572a1700252bfaccbed2902c21396cbb"+
		"731c7f1b0b4aa6440bf3a82f4eda7e39ae64c6708c54c216cb96b72e1213b452"+
		"2f8c9ba40db5d945b11b69b982c1bb9e3f3fac2bc369488f76b2383565d3fff9"+
		"21f9664c97637da9768812f615c68b13b52e"+
		"c0875924c1c7987947deafd8780acf49", hex.EncodeToString(got))
}

func TestFieldOpensOnlyInItsPlace(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		key := testKey(rapid.Byte().Draw(t, "key"))
		words := rapid.SliceOfN(rapid.Byte(), 0, 200).Draw(t, "words")
		s, err := Seal(draws(9), key, hollis, "name", words)
		require.NoError(t, err)
		got, err := Open(key, hollis, "name", s)
		require.NoError(t, err)
		require.Equal(t, words, append([]byte{}, got...))

		_, err = Open(key, hollis, "address", s)
		require.ErrorIs(t, err, ErrTampered)
		_, err = Open(key, event.Key{Kind: "client", ID: "5R"}, "name", s)
		require.ErrorIs(t, err, ErrTampered)
		_, err = Open(key, event.Key{Kind: "client5", ID: "Q"}, "name", s)
		require.ErrorIs(t, err, ErrTampered, "where one part ends and the next begins counts")
		other := key
		other[0] ^= 1
		_, err = Open(other, hollis, "name", s)
		require.ErrorIs(t, err, ErrOtherKey)

		wire := must(proto.Marshal(s))
		wire[rapid.IntRange(0, len(wire)-1).Draw(t, "at")] ^= byte(rapid.IntRange(1, 255).Draw(t, "flip"))
		changed := &pb.Sealed{}
		if proto.Unmarshal(wire, changed) == nil {
			_, err = Open(key, hollis, "name", changed)
			require.Error(t, err)
		}
	})
}

func TestSealRefuses(t *testing.T) {
	_, err := Seal(draws(1), testKey(1), hollis, "name", make([]byte, MaxPlainBytes+1))
	require.Error(t, err)
	_, err = Seal(bytes.NewReader(make([]byte, 23)), testKey(1), hollis, "name", nil)
	require.ErrorIs(t, err, io.ErrUnexpectedEOF)
	_, err = NewKey(bytes.NewReader(nil))
	require.ErrorIs(t, err, io.EOF)
	_, err = Open(testKey(1), hollis, "name", nil)
	require.ErrorIs(t, err, ErrTampered)
}

func TestKeyDoesNotPrintItself(t *testing.T) {
	k := testKey(7)
	for _, text := range []string{fmt.Sprint(k), fmt.Sprintf("%v %+v %#v", k, FieldKey{k, hollis}, k)} {
		require.NotContains(t, text, hex.EncodeToString(k[:8]))
		require.NotContains(t, text, "7, 8, 9")
		require.NotContains(t, text, "7 8 9")
	}
}

func TestKeyringForgetsForEver(t *testing.T) {
	var r Keyring
	one, two := FieldKey{testKey(1), hollis}, FieldKey{testKey(2), hollis}
	other := FieldKey{testKey(3), event.Key{Kind: "case", ID: "7K"}}
	for _, f := range []FieldKey{one, two, other} {
		isNew, err := r.Add(f)
		require.NoError(t, err)
		require.True(t, isNew)
	}
	isNew, err := r.Add(one)
	require.NoError(t, err)
	require.False(t, isNew)
	require.Len(t, r.Of(hollis), 2)
	first, second := r.Of(hollis)[0].Key.ID(), r.Of(hollis)[1].Key.ID()
	require.Negative(t, compareIDs(first, second))

	require.NoError(t, r.Forget(hollis))
	require.NoError(t, r.Forget(hollis))
	for _, ring := range []*Keyring{&r, must(Decode(r.Encode()))} {
		require.Empty(t, ring.Of(hollis))
		require.Equal(t, 1, ring.Len())
		_, held := ring.Get(one.Key.ID())
		require.False(t, held)
		require.True(t, ring.Forgotten(one.Key.ID()))
		require.False(t, ring.Forgotten(other.Key.ID()))
		for _, f := range []FieldKey{one, {one.Key, other.Entity}, {testKey(8), hollis}} {
			_, err = ring.Add(f)
			require.ErrorIs(t, err, ErrForgotten)
		}
		got, held := ring.Get(other.Key.ID())
		require.True(t, held)
		require.Equal(t, other, got)
		require.Equal(t, r.Encode(), ring.Encode())
	}
	require.NotContains(t, string(r.Encode()), string(one.Key[:]), "nothing of the key is left in the file")
}

func TestKeyringIsBounded(t *testing.T) {
	var r Keyring
	add := func(n int, id string) error {
		var k Key
		binary.BigEndian.PutUint32(k[:], uint32(n))
		_, err := r.Add(FieldKey{k, event.Key{Kind: "client", ID: id}})
		return err
	}
	for i := range MaxPerEntity {
		require.NoError(t, add(i, "5Q"))
	}
	require.ErrorIs(t, add(MaxPerEntity, "5Q"), ErrFull)
	for i := MaxPerEntity; i < MaxKeys; i++ {
		require.NoError(t, add(i, fmt.Sprint(i)))
	}
	require.ErrorIs(t, add(MaxKeys, "one more"), ErrFull)
	require.Equal(t, MaxKeys, must(Decode(r.Encode())).Len())
	require.NoError(t, r.Forget(hollis))
	require.NoError(t, add(MaxKeys, "one more"))
	_, err := r.Add(FieldKey{testKey(1), event.Key{Kind: "client"}})
	require.ErrorIs(t, err, ErrNotKey)
	require.ErrorIs(t, r.Forget(event.Key{}), ErrNotKey)
}

func TestFieldKeyTravels(t *testing.T) {
	f := FieldKey{testKey(1), hollis}
	back, err := FieldKeyFromPB(f.PB())
	require.NoError(t, err)
	require.Equal(t, f, back)
	for name, change := range map[string]func(*pb.FieldKey){
		"another key's id": func(m *pb.FieldKey) { m.KeyId[0] ^= 1 },
		"short key":        func(m *pb.FieldKey) { m.Key = m.Key[:31] },
		"no entity":        func(m *pb.FieldKey) { m.Entity = nil },
	} {
		m := f.PB()
		m.Key = bytes.Clone(m.Key)
		change(m)
		_, err := FieldKeyFromPB(m)
		require.ErrorIs(t, err, ErrNotKey, name)
	}
}

func TestDecodeRefusesDamage(t *testing.T) {
	var r Keyring
	_, err := r.Add(FieldKey{testKey(1), hollis})
	require.NoError(t, err)
	require.NoError(t, r.Forget(event.Key{Kind: "client", ID: "9"}))
	file := r.Encode()
	for i := range file {
		bad := bytes.Clone(file)
		bad[i] ^= 0x40
		_, err := Decode(bad)
		require.ErrorIs(t, err, ErrDamaged, "byte %d", i)
		_, err = Decode(file[:i])
		require.ErrorIs(t, err, ErrDamaged, "cut at %d", i)
	}
	newer := bytes.Clone(file[:len(file)-4])
	newer[len(magic)] = version + 1
	_, err = Decode(withSum(newer))
	require.ErrorIs(t, err, ErrNewer)
}

func withSum(b []byte) []byte {
	return binary.BigEndian.AppendUint32(b, crc32.Checksum(b, castagnoli))
}

// Any bytes behind a right checksum: no panic, and what is read is written alike.
func FuzzDecode(f *testing.F) {
	var r Keyring
	must(r.Add(FieldKey{testKey(1), hollis}))
	for _, ring := range []*Keyring{{}, &r} {
		file := ring.Encode()
		f.Add(file[len(magic)+1 : len(file)-4])
	}
	f.Add([]byte{0xff, 0xff, 3})
	f.Fuzz(func(t *testing.T, body []byte) {
		ring, err := Decode(withSum(append(append([]byte(magic), version), body...)))
		if err != nil {
			return
		}
		again, err := Decode(ring.Encode())
		require.NoError(t, err)
		require.Equal(t, ring.Encode(), again.Encode())
	})
}
