package invite

import (
	"bytes"
	"crypto"
	"crypto/ed25519"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"io"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/trust/vault"
	pb "thawtrail/proto/thawtrail/v1"
)

// Contexts: what is signed or proven for one purpose serves no other.
const (
	saltContext       = "thawtrail invite salt 1\x00"
	possessionContext = "thawtrail enrol possession 1\x00"
	requestContext    = "thawtrail enrol request 1\x00"
	answerContext     = "thawtrail enrol answer 1\x00"
)

// Bounds of a stranger's bytes.
const (
	MaxClaimBytes  = 64 << 10
	MaxAnswerBytes = 64 << 10
	nonceBytes     = 32
	maxName        = 200
	maxLogs        = 200
)

// Errors of enrolment.
var (
	// ErrMalformed: not a request or answer of this protocol.
	ErrMalformed = errors.New("not a whole request or answer")
	// ErrForged: a proof or signature does not hold.
	ErrForged = errors.New("a proof in it does not hold: it was changed, or made with another code")
	// ErrOtherPractice: the authority is not the one that the code names.
	ErrOtherPractice = errors.New("this server belongs to another practice than the code")
)

// Cost of making a key of a code: paid once by each side.
var cost = vault.DefaultCost

// Key makes the key that both sides prove to know. The practice's half of the
// code is the salt.
func (c Code) Key() []byte {
	salt := sha256.Sum256(binary.BigEndian.AppendUint64([]byte(saltContext), number(c.print)))
	return cost.Stretch(c.secret[:], salt[:])
}

// Request makes what a laptop sends. The claim's key and nonce are filled in.
func Request(key []byte, device ed25519.PrivateKey, claim *pb.EnrolClaim, random io.Reader) (*pb.EnrolRequest, error) {
	claim = proto.CloneOf(claim)
	claim.PublicKey, claim.Nonce = device.Public().(ed25519.PublicKey), make([]byte, nonceBytes)
	if _, err := io.ReadFull(random, claim.Nonce); err != nil {
		return nil, fmt.Errorf("enrol: no randomness: %w", err)
	}
	raw, err := proto.Marshal(claim)
	if err != nil {
		return nil, fmt.Errorf("enrol: %w", err)
	}
	sig, err := device.Sign(random, append([]byte(possessionContext), raw...), crypto.Hash(0))
	if err != nil {
		return nil, fmt.Errorf("enrol: %w", err)
	}
	return &pb.EnrolRequest{Claim: raw, Possession: sig, Proof: mac(key, requestContext, raw)}, nil
}

// Claim reads a request and checks that its sender holds the device key. It does
// not say that the sender knows a code.
func Claim(req *pb.EnrolRequest) (*pb.EnrolClaim, error) {
	if n := len(req.GetClaim()); n == 0 || n > MaxClaimBytes || len(req.GetProof()) != sha256.Size {
		return nil, ErrMalformed
	}
	c := &pb.EnrolClaim{}
	if err := proto.Unmarshal(req.Claim, c); err != nil {
		return nil, ErrMalformed
	}
	if len(c.PublicKey) != ed25519.PublicKeySize || len(c.Nonce) != nonceBytes || len(c.DeviceName) > maxName ||
		len(c.Practice) > maxName || len(c.Logs) > maxLogs || len(c.Channel) != 0 && len(c.Channel) != ed25519.PublicKeySize {
		return nil, ErrMalformed
	}
	if !ed25519.Verify(c.PublicKey, append([]byte(possessionContext), req.Claim...), req.Possession) {
		return nil, ErrForged
	}
	return c, nil
}

// knows says whether a request was made with this key.
func knows(key []byte, req *pb.EnrolRequest) bool {
	return hmac.Equal(mac(key, requestContext, req.Claim), req.Proof)
}

// Answer makes the server's side: proven with the code's key, signed by the
// authority.
func Answer(key []byte, authority ed25519.PrivateKey, req *pb.EnrolRequest, answer *pb.EnrolAnswer) (*pb.EnrolResponse, error) {
	raw, err := proto.Marshal(answer)
	if err != nil {
		return nil, fmt.Errorf("enrol: %w", err)
	}
	return &pb.EnrolResponse{
		Answer: raw, Proof: mac(key, answerContext, req.Claim, raw),
		Signature: ed25519.Sign(authority, signed(req, raw)),
	}, nil
}

// Accept reads and checks an answer on the laptop that asked. authorityOf reads
// the key in an authority's certificate.
func Accept(code Code, device ed25519.PublicKey, req *pb.EnrolRequest, resp *pb.EnrolResponse, authorityOf func(der []byte) (ed25519.PublicKey, error)) (*pb.EnrolAnswer, error) {
	if n := len(resp.GetAnswer()); n == 0 || n > MaxAnswerBytes {
		return nil, ErrMalformed
	}
	a := &pb.EnrolAnswer{}
	if err := proto.Unmarshal(resp.Answer, a); err != nil {
		return nil, ErrMalformed
	}
	authority, err := authorityOf(a.Authority)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrMalformed, err)
	}
	switch {
	case !code.Fits(authority):
		return nil, ErrOtherPractice
	case !hmac.Equal(mac(code.Key(), answerContext, req.Claim, resp.Answer), resp.Proof),
		!ed25519.Verify(authority, signed(req, resp.Answer), resp.Signature),
		!bytes.Equal(a.PublicKey, device):
		return nil, ErrForged
	case len(a.Founding) != sha256.Size || a.Practice == "" || len(a.Practice) > maxName:
		return nil, ErrMalformed
	}
	return a, nil
}

func signed(req *pb.EnrolRequest, answer []byte) []byte {
	sum := sha256.Sum256(join(req.Claim, answer))
	return append([]byte(answerContext), sum[:]...)
}

func mac(key []byte, context string, parts ...[]byte) []byte {
	h := hmac.New(sha256.New, key)
	h.Write([]byte(context))
	h.Write(join(parts...))
	return h.Sum(nil)
}

// join puts parts behind their lengths, so that they cannot be shifted.
func join(parts ...[]byte) []byte {
	var b []byte
	for _, p := range parts {
		b = binary.BigEndian.AppendUint64(b, uint64(len(p)))
		b = append(b, p...)
	}
	return b
}
