package order

import (
	"bytes"
	"crypto/ed25519"
	"crypto/rand"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/clock"
	pb "thawtrail/proto/thawtrail/v1"
)

func key(n byte) ed25519.PrivateKey {
	return ed25519.NewKeyFromSeed(bytes.Repeat([]byte{n}, ed25519.SeedSize))
}

func public(k ed25519.PrivateKey) ed25519.PublicKey { return k.Public().(ed25519.PublicKey) }

func good() *pb.OwnerOrder {
	return &pb.OwnerOrder{
		Founding: make([]byte, 32), Challenge: bytes.Repeat([]byte{7}, 32), Person: "a person", Proof: &pb.AuthorProof{Kind: pb.ProofKind_PROOF_KIND_NONE},
		Action: &pb.OwnerOrder_Invite{Invite: &pb.InviteRequest{Person: "J. Reed", Roles: []pb.Role{pb.Role_ROLE_VET}}},
	}
}

func TestAnOrderIsReadAsItWasSigned(t *testing.T) {
	req, err := Sign(key(1), good())
	require.NoError(t, err)
	got, err := Open(public(key(1)), req)
	require.NoError(t, err)
	got.Device = nil
	require.True(t, proto.Equal(good(), got))
}

// TestOrdersThatAreRefused: each is signed well, but for those that say so, and lacks one thing.
func TestOrdersThatAreRefused(t *testing.T) {
	signs := func(k ed25519.PrivateKey, raw []byte) *pb.OrderRequest {
		return &pb.OrderRequest{Order: raw, Signature: ed25519.Sign(k, signed(raw))}
	}
	raw, err := proto.Marshal(good())
	require.NoError(t, err)
	_, err = Open(public(key(1)), signs(key(1), raw))
	require.ErrorIs(t, err, ErrMalformed, "it names no laptop")

	for name, spoil := range map[string]func(*pb.OwnerOrder){
		"no founding":         func(o *pb.OwnerOrder) { o.Founding = nil },
		"a short challenge":   func(o *pb.OwnerOrder) { o.Challenge = o.Challenge[:31] },
		"nobody":              func(o *pb.OwnerOrder) { o.Person = "" },
		"a name without end":  func(o *pb.OwnerOrder) { o.Person = string(bytes.Repeat([]byte{'x'}, 201)) },
		"no action":           func(o *pb.OwnerOrder) { o.Action = nil },
		"no proof":            func(o *pb.OwnerOrder) { o.Proof = nil },
		"a proof of no time":  func(o *pb.OwnerOrder) { o.Proof.Kind = pb.ProofKind_PROOF_KIND_PIN },
		"a time of no proof":  func(o *pb.OwnerOrder) { o.Proof.ProvenUs = 1 },
		"another's order":     func(o *pb.OwnerOrder) { o.Proof.OrderedAt = []byte("x") },
		"an action too large": func(o *pb.OwnerOrder) { o.GetInvite().Person = string(bytes.Repeat([]byte{'x'}, MaxBytes)) },
	} {
		o := good()
		spoil(o)
		req, err := Sign(key(1), o)
		require.NoError(t, err)
		_, err = Open(public(key(1)), req)
		require.ErrorIs(t, err, ErrMalformed, name)
	}

	req, err := Sign(key(1), good())
	require.NoError(t, err)
	_, err = Open(public(key(2)), req)
	require.ErrorIs(t, err, ErrForged, "another laptop's key")
	for i := range req.Order {
		changed := proto.CloneOf(req)
		changed.Order[i] ^= 1
		_, err = Open(public(key(1)), changed)
		require.ErrorIs(t, err, ErrForged, "byte %d", i)
	}
	_, err = Open(public(key(1)), &pb.OrderRequest{Order: req.Order, Signature: ed25519.Sign(key(1), req.Order)})
	require.ErrorIs(t, err, ErrForged, "the same bytes, signed for another purpose")

	// A field of a newer program, at each depth: the order is not carried out without it.
	more := protowire.AppendVarint(protowire.AppendTag(nil, 99, protowire.VarintType), 1)
	for name, add := range map[string]func(*pb.OwnerOrder){
		"the order":  func(o *pb.OwnerOrder) { o.ProtoReflect().SetUnknown(more) },
		"its action": func(o *pb.OwnerOrder) { o.GetInvite().ProtoReflect().SetUnknown(more) },
		"its proof":  func(o *pb.OwnerOrder) { o.Proof.ProtoReflect().SetUnknown(more) },
	} {
		o := good()
		add(o)
		req, err := Sign(key(1), o)
		require.NoError(t, err)
		_, err = Open(public(key(1)), req)
		require.ErrorIs(t, err, ErrNewer, name)
	}
}

func TestAChallengeServesOnce(t *testing.T) {
	now := clock.NewManual(time.Unix(1_800_000_000, 0))
	c := NewChallenges(now.Monotonic, rand.Reader)
	one, two := public(key(1)), public(key(2))
	ask := func(k ed25519.PublicKey, link uint64) []byte {
		t.Helper()
		asked, err := c.Ask(k, link)
		require.NoError(t, err)
		return asked
	}
	asked := ask(one, 1)
	require.True(t, c.Take(one, 1, asked))
	require.False(t, c.Take(one, 1, asked), "a second time")
	require.False(t, c.Take(two, 1, ask(one, 1)), "of another laptop")
	require.False(t, c.Take(one, 2, ask(one, 1)), "on another link")
	asked = ask(one, 1)
	require.False(t, c.Take(one, 1, make([]byte, 32)), "a guess")
	require.False(t, c.Take(one, 1, asked), "a guess uses it up")
	asked = ask(one, 1)
	require.True(t, c.Take(one, 1, ask(one, 1)))
	require.False(t, c.Take(one, 1, asked), "one that another took the place of")
	asked = ask(two, 1)
	now.Advance(Lifetime)
	require.False(t, c.Take(two, 1, asked), "its time is over")
}

func TestOrdersOfOneLaptopAreSlow(t *testing.T) {
	now := clock.NewManual(time.Unix(1_800_000_000, 0))
	c := NewChallenges(now.Monotonic, rand.Reader)
	flood := func() (got int) {
		for range 100 {
			if _, err := c.Ask(public(key(1)), 1); err == nil {
				got++
			} else {
				require.ErrorIs(t, err, ErrTooMany)
			}
		}
		return got
	}
	require.Equal(t, atOnce, flood())
	_, err := c.Ask(public(key(2)), 1)
	require.NoError(t, err, "another laptop waits for nobody")
	now.Advance(oneEach)
	require.Equal(t, 1, flood())
	for n := range maxLaptops + 10 {
		_, err := c.Ask(ed25519.PublicKey(append(make([]byte, 30), byte(n), byte(n>>8))), 1)
		require.NoError(t, err)
	}
	require.LessOrEqual(t, len(c.asked), maxLaptops)
}

// FuzzOpen reads whatever a member sends: what the seed signs is read as it was signed,
// and nothing else is carried out.
func FuzzOpen(f *testing.F) {
	req, err := Sign(key(1), good())
	require.NoError(f, err)
	f.Add(req.Order)
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, raw []byte) {
		// Signed by its sender, so that the decoder is reached.
		what, err := Open(public(key(1)), &pb.OrderRequest{Order: raw, Signature: ed25519.Sign(key(1), signed(raw))})
		if err != nil {
			require.Nil(t, what)
			return
		}
		require.NotNil(t, what.Action)
		again, err := Sign(key(1), what)
		require.NoError(t, err)
		same, err := Open(public(key(1)), again)
		require.NoError(t, err)
		require.True(t, proto.Equal(what, same))
	})
}
