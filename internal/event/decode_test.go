package event

import (
	"crypto/ed25519"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"thawtrail/internal/testrun"
	pb "thawtrail/proto/thawtrail/v1"
)

// full is a header with something in every field but overrides.
func full() *pb.Header {
	hash := make([]byte, 32)
	return &pb.Header{
		Format: 1, Log: hash, Seq: 7, Prev: hash, HlcUs: 1 << 50, WallUs: -5, Boot: []byte("bootboot"), MonotonicUs: 99,
		Offset: &pb.ClockOffset{OffsetUs: -3, BoundUs: 4, MeasuredUs: 5}, Seen: []*pb.Tip{{Log: hash, Seq: 1, Hash: hash}, {}},
		Entities: []*pb.EntityKey{{Kind: KindBag, Id: "A"}, {Kind: "other", Id: "B"}, {}, {Kind: KindCase}, {Id: "five"}},
		Type:     60, Critical: true, References: [][]byte{hash, {1}}, Grant: hash, RequestId: "r", ProgramVersion: "p", EngineVersion: "e",
		OccurredAt: &pb.Moment{UnixMs: 12, Zone: "Europe/Dublin", Precision: 2, Source: 1, UtcOffsetMin: new(int32(-570))},
		Author:     "someone", AuthorProof: &pb.AuthorProof{Kind: 1, ProvenUs: 3, OrderedAt: []byte("0123456789abcdef")}, PayloadHash: hash, HubUs: 1, Device: []byte("0123456789abcdef"),
	}
}

func marshalled(tb testing.TB, m proto.Message) []byte {
	b, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
	require.NoError(tb, err)
	return b
}

// requireSame holds the quick decoder against the general one.
func requireSame(tb require.TestingT, header []byte) bool {
	b := &block{}
	if !b.plainHeader(header) {
		return false
	}
	want := &pb.Header{}
	require.NoError(tb, proto.Unmarshal(header, want))
	require.True(tb, proto.Equal(want, &b.head), "want %v, got %v", want, &b.head)
	return true
}

func TestPlainHeaderReadsEveryField(t *testing.T) {
	require.True(t, requireSame(t, marshalled(t, full())))
	require.True(t, requireSame(t, marshalled(t, &pb.Header{})))
	fields := full().ProtoReflect().Descriptor().Fields()
	for i := range fields.Len() {
		one := &pb.Header{}
		if f := fields.Get(i); f.Name() != "overrides" {
			one.ProtoReflect().Set(f, full().ProtoReflect().Get(f))
			require.True(t, requireSame(t, marshalled(t, one)), f.Name())
		}
	}
}

func TestPlainHeaderLeavesTheRest(t *testing.T) {
	h := full()
	h.Overrides = []*pb.Override{{Code: "c", Reason: "r"}}
	require.False(t, (&block{}).plainHeader(marshalled(t, h)))
	twice := append(marshalled(t, full()), marshalled(t, full())...)
	require.False(t, (&block{}).plainHeader(twice))
	require.False(t, (&block{}).plainHeader(append(marshalled(t, full()), 0xf8, 0x07, 1)), "a field of a newer version")
	require.False(t, (&block{}).plainHeader([]byte{0x82, 0x01, 1, 0xff}), "text that is not UTF-8")
}

// Whatever bytes come, the two decoders agree wherever the quick one decides.
func TestPlainHeaderLaw(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		b := marshalled(nil, full())
		for range rapid.IntRange(1, 3).Draw(t, "changes") {
			i := rapid.IntRange(0, len(b)-1).Draw(t, "at")
			switch rapid.IntRange(0, 2).Draw(t, "how") {
			case 0:
				b[i] = rapid.Byte().Draw(t, "byte")
			case 1:
				b = append(b[:i:i], b[i+1:]...)
			default:
				b = append(b[:i:i], append([]byte{rapid.Byte().Draw(t, "byte")}, b[i:]...)...)
			}
		}
		requireSame(t, b)
	})
}

func FuzzPlainHeader(f *testing.F) {
	f.Add(marshalled(f, full()))
	f.Fuzz(func(t *testing.T, b []byte) { requireSame(t, b) })
}

func sealedRecord(tb testing.TB) *Record {
	_, key, err := ed25519.GenerateKey(nil)
	require.NoError(tb, err)
	r, err := Seal(full(), []byte("payload"), func(m []byte) []byte { return ed25519.Sign(key, m) })
	require.NoError(tb, err)
	return r
}

func TestWireIsWhatCame(t *testing.T) {
	wire := sealedRecord(t).Wire()
	r, err := Decode(wire)
	require.NoError(t, err)
	require.Same(t, &wire[0], &r.Wire()[0])

	unsigned := marshalled(t, &pb.Record{Header: r.Raw.Header, Payload: r.Raw.Payload})
	r.DropSignature()
	require.Equal(t, unsigned, r.Wire())
	require.Same(t, &wire[0], &r.Wire()[0], "no bytes are written anew")

	again, err := Decode(wire)
	require.NoError(t, err)
	again.Raw.Payload = []byte("another one")
	require.Equal(t, marshalled(t, again.Raw), again.Wire())
}

func TestDecodeTakesOtherOrders(t *testing.T) {
	r := sealedRecord(t)
	payload := marshalled(t, &pb.Record{Payload: r.Raw.Payload, Signature: r.Raw.Signature})
	header := marshalled(t, &pb.Record{Header: r.Raw.Header})
	wire := append(payload, header...)
	got, err := Decode(wire)
	require.NoError(t, err)
	require.Equal(t, r.Hash, got.Hash)
	_, err = DecodeStrict(wire)
	require.ErrorIs(t, err, ErrMalformed)
}

func BenchmarkDecode(b *testing.B) {
	wire := sealedRecord(b).Wire()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Decode(wire); err != nil {
			b.Fatal(err)
		}
	}
}
