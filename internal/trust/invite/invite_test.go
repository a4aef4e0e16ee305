package invite

import (
	"bytes"
	"crypto/ed25519"
	"crypto/rand"
	"errors"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"thawtrail/internal/clock"
	"thawtrail/internal/testrun"
	"thawtrail/internal/trust/vault"
	pb "thawtrail/proto/thawtrail/v1"
)

func init() { cost = vault.Cost{Passes: 1, MemoryKiB: 64, Lanes: 1} } // the arithmetic is the same

func key(n byte) ed25519.PrivateKey {
	return ed25519.NewKeyFromSeed(bytes.Repeat([]byte{n}, ed25519.SeedSize))
}

func public(k ed25519.PrivateKey) ed25519.PublicKey { return k.Public().(ed25519.PublicKey) }

var root, laptop, other = key(1), key(2), key(3)

func authorityOf(der []byte) (ed25519.PublicKey, error) {
	if len(der) != ed25519.PublicKeySize {
		return nil, errors.New("no authority")
	}
	return der, nil
}

// practice is the server's side of one open code.
type practice struct {
	clock *clock.Manual
	book  *Registry
	saved []byte
	code  Code
}

func newPractice(t *testing.T) *practice {
	t.Helper()
	p := &practice{clock: clock.NewManual(time.Date(2026, 9, 1, 22, 0, 0, 0, time.UTC))}
	var err error
	p.book, err = NewBook(nil, p.clock.Now, func(b []byte) error { p.saved = b; return nil })
	require.NoError(t, err)
	p.code, err = NewCode(public(root), rand.Reader)
	require.NoError(t, err)
	_, err = p.book.Add(Invite{Key: p.code.Key(), Person: "ANNE", Roles: []pb.Role{pb.Role_ROLE_VET}}, Lifetime)
	require.NoError(t, err)
	return p
}

func (p *practice) request(t *testing.T, device ed25519.PrivateKey, code Code) *pb.EnrolRequest {
	t.Helper()
	req, err := Request(code.Key(), device, &pb.EnrolClaim{DeviceName: "north", Channel: public(key(9))}, rand.Reader)
	require.NoError(t, err)
	return req
}

func TestALaptopJoinsByItsCode(t *testing.T) {
	p := newPractice(t)
	code, err := ParseCode(strings.ToLower(p.code.Text()))
	require.NoError(t, err)
	require.True(t, code.Fits(public(root)))
	require.False(t, code.Fits(public(other)))
	req := p.request(t, laptop, code)
	claim, err := Claim(req)
	require.NoError(t, err)
	require.Equal(t, "north", claim.DeviceName)
	inv, err := p.book.Use(req, claim.PublicKey)
	require.NoError(t, err)
	require.Equal(t, "ANNE", inv.Person)

	resp, err := Answer(inv.Key, root, req, &pb.EnrolAnswer{Practice: "P", Founding: make([]byte, 32), Authority: public(root), PublicKey: claim.PublicKey})
	require.NoError(t, err)
	a, err := Accept(code, public(laptop), req, resp, authorityOf)
	require.NoError(t, err)
	require.Equal(t, "P", a.Practice)

	// The answer was lost: the same laptop asks again, also after a restart.
	p.book, err = NewBook(p.saved, p.clock.Now, func([]byte) error { return nil })
	require.NoError(t, err)
	_, err = p.book.Use(p.request(t, laptop, code), public(laptop))
	require.NoError(t, err)
	_, err = p.book.Use(p.request(t, other, code), public(other))
	require.ErrorIs(t, err, ErrUsed)
	require.Zero(t, p.book.Open())
	require.NotContains(t, string(p.saved), p.code.Text()[:9])
}

func TestACodeRunsOut(t *testing.T) {
	p := newPractice(t)
	p.clock.Advance(Lifetime)
	_, err := p.book.Use(p.request(t, laptop, p.code), public(laptop))
	require.ErrorIs(t, err, ErrNoSuchCode)
}

func TestGuessingIsSlow(t *testing.T) {
	p := newPractice(t)
	wrong, err := NewCode(public(root), rand.Reader)
	require.NoError(t, err)
	guess := p.request(t, other, wrong)
	tried := 0
	for range 10_000 { // an hour, a guess every 360 ms
		_, err := p.book.Use(guess, public(other))
		if errors.Is(err, ErrNoSuchCode) {
			tried++
		} else {
			require.ErrorIs(t, err, ErrTooManyTries)
		}
		p.clock.Advance(360 * time.Millisecond)
	}
	require.LessOrEqual(t, tried, maxWrong+int(time.Hour/wrongEach))
	require.Greater(t, tried, 500, "it must not lock up either")
	p.clock.Advance(time.Minute)
	_, err = p.book.Use(p.request(t, laptop, p.code), public(laptop))
	require.NoError(t, err)
}

// TestATurnedClockGivesNoTries: a clock set back and forth does not refill.
func TestATurnedClockGivesNoTries(t *testing.T) {
	p := newPractice(t)
	wrong, err := NewCode(public(root), rand.Reader)
	require.NoError(t, err)
	guess := p.request(t, other, wrong)
	for range maxWrong {
		_, err := p.book.Use(guess, public(other))
		require.ErrorIs(t, err, ErrNoSuchCode)
	}
	p.clock.SetWall(p.clock.Now().Add(-time.Hour))
	_, err = p.book.Use(guess, public(other))
	require.ErrorIs(t, err, ErrTooManyTries)
}

func TestOpenCodesAreBounded(t *testing.T) {
	p := newPractice(t)
	for range maxOpen - 1 {
		_, err := p.book.Add(Invite{Key: []byte("k")}, Lifetime)
		require.NoError(t, err)
	}
	_, err := p.book.Add(Invite{Key: []byte("k")}, Lifetime)
	require.ErrorIs(t, err, ErrFull)
	p.clock.Advance(Lifetime)
	_, err = p.book.Add(Invite{Key: []byte("k")}, Lifetime)
	require.NoError(t, err)
}

// TestWhatIsNotSavedIsNotUsed: a full disk must not make two laptops of a code.
func TestWhatIsNotSavedIsNotUsed(t *testing.T) {
	p := newPractice(t)
	p.book.save = func([]byte) error { return errors.New("disk full") }
	_, err := p.book.Use(p.request(t, laptop, p.code), public(laptop))
	require.ErrorContains(t, err, "disk full")
	require.Equal(t, 1, p.book.Open())
}

// TestForgeries changes one thing of a request or an answer.
func TestForgeries(t *testing.T) {
	p := newPractice(t)
	good := p.request(t, laptop, p.code)
	k := p.code.Key()
	remade := func(c *pb.EnrolClaim) []byte {
		raw, err := proto.Marshal(c)
		require.NoError(t, err)
		return raw
	}
	stolen := &pb.EnrolClaim{PublicKey: public(other), Nonce: make([]byte, nonceBytes)}
	for name, req := range map[string]*pb.EnrolRequest{
		"empty":                 {},
		"another device's name": {Claim: append(bytes.Clone(good.Claim), 0x12, 1, 'x'), Possession: good.Possession, Proof: good.Proof},
		"a key it does not hold": {
			Claim: remade(stolen), Proof: mac(k, requestContext, remade(stolen)),
			Possession: ed25519.Sign(laptop, append([]byte(possessionContext), remade(stolen)...)),
		},
		"too large": {Claim: make([]byte, MaxClaimBytes+1), Possession: good.Possession, Proof: good.Proof},
		"no nonce": {
			Claim:      remade(&pb.EnrolClaim{PublicKey: public(laptop)}),
			Possession: ed25519.Sign(laptop, append([]byte(possessionContext), remade(&pb.EnrolClaim{PublicKey: public(laptop)})...)),
			Proof:      good.Proof,
		},
	} {
		_, err := Claim(req)
		require.Error(t, err, name)
	}

	answer := &pb.EnrolAnswer{Practice: "P", Founding: make([]byte, 32), Authority: public(root), PublicKey: public(laptop)}
	accept := func(resp *pb.EnrolResponse) error {
		_, err := Accept(p.code, public(laptop), good, resp, authorityOf)
		return err
	}
	make1 := func(key []byte, by ed25519.PrivateKey, req *pb.EnrolRequest, change func(*pb.EnrolAnswer)) *pb.EnrolResponse {
		a := proto.CloneOf(answer)
		change(a)
		resp, err := Answer(key, by, req, a)
		require.NoError(t, err)
		return resp
	}
	same := func(*pb.EnrolAnswer) {}
	require.NoError(t, accept(make1(k, root, good, same)))
	require.ErrorIs(t, accept(make1(k, other, good, same)), ErrForged, "not the authority's signature")
	require.ErrorIs(t, accept(make1([]byte("guess"), root, good, same)), ErrForged, "a server that does not know the code")
	require.ErrorIs(t, accept(make1(k, root, p.request(t, laptop, p.code), same)), ErrForged, "the answer to another request")
	require.ErrorIs(t, accept(make1(k, root, good, func(a *pb.EnrolAnswer) { a.PublicKey = public(other) })), ErrForged)
	require.ErrorIs(t, accept(make1(k, other, good, func(a *pb.EnrolAnswer) { a.Authority = public(other) })), ErrOtherPractice)
	require.ErrorIs(t, accept(make1(k, root, good, func(a *pb.EnrolAnswer) { a.Founding = nil })), ErrMalformed)
	require.ErrorIs(t, accept(&pb.EnrolResponse{}), ErrMalformed)
}

func TestTypedCodes(t *testing.T) {
	testrun.Check(t, func(t *rapid.T) {
		raw := rapid.SliceOfN(rapid.Byte(), 8*20, 8*20).Draw(t, "randomness")
		c, err := NewCode(public(root), bytes.NewReader(raw))
		if errors.Is(err, io.EOF) || err != nil && strings.Contains(err.Error(), "repeats") {
			return // twenty draws in a row were thrown away
		}
		if err != nil {
			t.Fatal(err)
		}
		text := c.Text()
		if len(text) != 24 {
			t.Fatalf("%q", text)
		}
		got, err := ParseCode(text)
		if err != nil || got != c {
			t.Fatalf("%q: %v", text, err)
		}
		// One wrong character is refused, wherever it is.
		i := rapid.IntRange(0, len(text)-1).Draw(t, "place")
		to := rapid.SampledFrom([]byte("0123456789ABCDEFGHJKMNPQRSTVWXYZ")).Draw(t, "character")
		if text[i] == '-' || text[i] == to {
			return
		}
		bad := text[:i] + string(to) + text[i+1:]
		if _, err := ParseCode(bad); err == nil {
			t.Fatalf("%q passed for %q", bad, text)
		} else if strings.Contains(err.Error(), text[:4]) {
			t.Fatalf("the refusal shows the code: %v", err)
		}
	})
}

func FuzzParseCode(f *testing.F) {
	c, _ := NewCode(public(root), rand.Reader)
	f.Add(c.Text())
	f.Fuzz(func(t *testing.T, text string) {
		if c, err := ParseCode(text); err == nil {
			if again, err := ParseCode(c.Text()); err != nil || again != c {
				t.Fatalf("%q", text)
			}
		}
	})
}

func FuzzClaim(f *testing.F) {
	k := []byte("k")
	req, _ := Request(k, laptop, &pb.EnrolClaim{DeviceName: "north"}, rand.Reader)
	f.Add(req.Claim, req.Possession, req.Proof)
	f.Fuzz(func(t *testing.T, claim, possession, proof []byte) {
		c, err := Claim(&pb.EnrolRequest{Claim: claim, Possession: possession, Proof: proof})
		if err == nil && !bytes.Equal(c.PublicKey, public(laptop)) {
			t.Fatal("a forged possession")
		}
	})
}

func FuzzAccept(f *testing.F) {
	c, _ := NewCode(public(root), rand.Reader)
	k := c.Key()
	req, _ := Request(k, laptop, &pb.EnrolClaim{}, rand.Reader)
	resp, _ := Answer(k, root, req, &pb.EnrolAnswer{Practice: "P", Founding: make([]byte, 32), Authority: public(root), PublicKey: public(laptop)})
	f.Add(resp.Answer, resp.Proof, resp.Signature)
	f.Fuzz(func(t *testing.T, answer, proof, sig []byte) {
		_, err := Accept(c, public(laptop), req, &pb.EnrolResponse{Answer: answer, Proof: proof, Signature: sig}, authorityOf)
		if err == nil && !bytes.Equal(answer, resp.Answer) {
			t.Fatal("a forged answer")
		}
	})
}

func FuzzBook(f *testing.F) {
	f.Add([]byte(`[{"key":"aw==","roles":[1],"expires_ms":9999999999999}]`))
	f.Fuzz(func(t *testing.T, data []byte) {
		b, err := NewBook(data, time.Now, func([]byte) error { return nil })
		if err == nil {
			b.Open()
		}
	})
}
