package authority

import (
	"crypto"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math/big"
	"time"
)

var (
	notBefore = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	notAfter  = time.Date(9999, 12, 31, 23, 59, 59, 0, time.UTC)
	// checkedAt is the moment at which certificates are looked at, always.
	checkedAt = time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC)
)

// ErrNotOurs is a certificate that this practice's authority did not make for
// the purpose.
var ErrNotOurs = errors.New("the certificate is not of this practice")

// NewKey draws a key.
func NewKey(random io.Reader) (ed25519.PrivateKey, error) {
	seed := make([]byte, ed25519.SeedSize)
	if _, err := io.ReadFull(random, seed); err != nil {
		return nil, fmt.Errorf("draw key: %w", err)
	}
	return ed25519.NewKeyFromSeed(seed), nil
}

// Public is the public half of a key.
func Public(key ed25519.PrivateKey) ed25519.PublicKey { return key.Public().(ed25519.PublicKey) }

// Certificate is the authority's own certificate. It is the same each time.
func Certificate(key ed25519.PrivateKey) (*x509.Certificate, error) {
	t := template("thawtrail practice authority", Public(key))
	t.IsCA, t.BasicConstraintsValid, t.MaxPathLenZero = true, true, true
	t.KeyUsage = x509.KeyUsageCertSign
	return sign(t, t, Public(key), key)
}

// ParseCertificate reads the certificate of an authority and gives its key.
func ParseCertificate(der []byte) (*x509.Certificate, ed25519.PublicKey, error) {
	if len(der) > maxCertificate {
		return nil, nil, fmt.Errorf("%w: %d bytes", ErrNotOurs, len(der))
	}
	c, err := x509.ParseCertificate(der)
	if err != nil {
		return nil, nil, fmt.Errorf("%w: %w", ErrNotOurs, err)
	}
	key, ok := c.PublicKey.(ed25519.PublicKey)
	if !ok || !c.IsCA || c.CheckSignatureFrom(c) != nil {
		return nil, nil, fmt.Errorf("%w: not an authority", ErrNotOurs)
	}
	return c, key, nil
}

// maxCertificate bounds a stranger's certificate.
const maxCertificate = 8 << 10

// Server is the certificate of a server's TLS key, signed by the authority, with
// the authority's behind it.
func Server(authority, server ed25519.PrivateKey) (tls.Certificate, error) {
	root, err := Certificate(authority)
	if err != nil {
		return tls.Certificate{}, err
	}
	t := template("thawtrail server", Public(server))
	print := Print(Public(authority))
	t.DNSNames = []string{practiceName, enrolName, localName, nameOf(practiceName, print), nameOf(enrolName, print)}
	t.KeyUsage, t.ExtKeyUsage = x509.KeyUsageDigitalSignature, []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}
	leaf, err := sign(t, root, Public(server), authority)
	if err != nil {
		return tls.Certificate{}, err
	}
	return tls.Certificate{Certificate: [][]byte{leaf.Raw, root.Raw}, PrivateKey: server, Leaf: leaf}, nil
}

// Device is the certificate of a laptop: its own key, signed by itself.
func Device(key ed25519.PrivateKey) (tls.Certificate, error) {
	t := template("thawtrail device", Public(key))
	t.DNSNames = []string{localName}
	t.KeyUsage = x509.KeyUsageDigitalSignature
	t.ExtKeyUsage = []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth, x509.ExtKeyUsageServerAuth}
	leaf, err := sign(t, t, Public(key), key)
	if err != nil {
		return tls.Certificate{}, err
	}
	return tls.Certificate{Certificate: [][]byte{leaf.Raw}, PrivateKey: key, Leaf: leaf}, nil
}

func template(name string, key []byte) *x509.Certificate {
	sum := sha256.Sum256(key)
	return &x509.Certificate{
		SerialNumber: new(big.Int).SetBytes(append([]byte{1}, sum[:15]...)),
		Subject:      pkix.Name{CommonName: name, SerialNumber: hex.EncodeToString(sum[:8])},
		NotBefore:    notBefore, NotAfter: notAfter,
	}
}

// sign makes a certificate. Ed25519 signatures need no randomness, so that equal
// keys of that kind make equal certificates.
func sign(t, parent *x509.Certificate, key crypto.PublicKey, by crypto.Signer) (*x509.Certificate, error) {
	der, err := x509.CreateCertificate(rand.Reader, t, parent, key, by)
	if err != nil {
		return nil, fmt.Errorf("make certificate: %w", err)
	}
	return x509.ParseCertificate(der)
}
