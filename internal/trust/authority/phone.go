package authority

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/hex"
	"encoding/pem"
	"fmt"
	"strings"
)

// phoneName stands in the certificate for phones; nobody asks for it by name.
const phoneName = "phone.thawtrail.invalid"

// NewPhone makes the key and certificate that a laptop shows to the browsers of
// phones, as PEM. Browsers know no Ed25519 in certificates, so the key is ECDSA on
// P-256. No authority that a phone trusts can vouch for a laptop in a barn: the
// certificate is signed by itself, and is told apart by its fingerprint.
//
// It has what Apple asks of every server's certificate (support.apple.com/103769:
// SHA-2, a DNS name, the purpose serverAuth). The limit of 825 days there is for
// certificates that begin after 1 July 2019; ours begins in 2000.
func NewPhone() ([]byte, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, fmt.Errorf("draw key for phones: %w", err)
	}
	public, err := x509.MarshalPKIXPublicKey(&key.PublicKey)
	if err != nil {
		return nil, fmt.Errorf("make certificate for phones: %w", err)
	}
	t := template("pages of thawtrail", public)
	t.DNSNames = []string{phoneName}
	t.KeyUsage, t.ExtKeyUsage = x509.KeyUsageDigitalSignature, []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}
	leaf, err := sign(t, t, &key.PublicKey, key)
	if err != nil {
		return nil, err
	}
	private, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return nil, fmt.Errorf("make certificate for phones: %w", err)
	}
	return append(
		pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: private}),
		pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: leaf.Raw})...,
	), nil
}

// ForPhones is the side of a link that listens for phones: TLS 1.3 alone, with
// what NewPhone made.
func ForPhones(made []byte) (*tls.Config, error) {
	cert, err := tls.X509KeyPair(made, made)
	if err != nil {
		return nil, fmt.Errorf("certificate for phones: %w", err)
	}
	cfg := base()
	cfg.NextProtos = []string{"h2", "http/1.1"}
	cfg.Certificates = []tls.Certificate{cert}
	return cfg, nil
}

// BrowserFingerprint is the SHA-256 of a certificate in the form in which browsers show
// it, in four lines that can be read out.
func BrowserFingerprint(der []byte) []string {
	sum := sha256.Sum256(der)
	const perLine = 8
	var lines []string
	for i := 0; i < len(sum); i += perLine {
		var pairs []string
		for _, b := range sum[i : i+perLine] {
			pairs = append(pairs, strings.ToUpper(hex.EncodeToString([]byte{b})))
		}
		lines = append(lines, strings.Join(pairs, " "))
	}
	return lines
}
