package authority

import (
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/hex"
	"net"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// TestTheCertificateForPhones holds it against what browsers ask: Apple's list
// (support.apple.com/103769), and no Ed25519.
func TestTheCertificateForPhones(t *testing.T) {
	made, err := NewPhone()
	require.NoError(t, err)
	cfg, err := ForPhones(made)
	require.NoError(t, err)
	leaf, err := x509.ParseCertificate(cfg.Certificates[0].Certificate[0])
	require.NoError(t, err)
	require.IsType(t, &ecdsa.PublicKey{}, leaf.PublicKey)
	require.Equal(t, x509.ECDSAWithSHA256, leaf.SignatureAlgorithm)
	require.NotEmpty(t, leaf.DNSNames)
	require.Contains(t, leaf.ExtKeyUsage, x509.ExtKeyUsageServerAuth)
	require.True(t, leaf.NotBefore.Before(time.Date(2019, 7, 1, 0, 0, 0, 0, time.UTC)), "the limit of 825 days is for later ones")
	require.Equal(t, 9999, leaf.NotAfter.Year())
	require.False(t, leaf.IsCA, "a phone that takes it lets it vouch for nothing else")

	sum := sha256.Sum256(leaf.Raw)
	lines := BrowserFingerprint(leaf.Raw)
	require.Len(t, lines, 4)
	require.Equal(t, strings.ToUpper(hex.EncodeToString(sum[:])), strings.ReplaceAll(strings.Join(lines, ""), " ", ""))

	other, err := NewPhone()
	require.NoError(t, err)
	otherCfg, err := ForPhones(other)
	require.NoError(t, err)
	require.NotEqual(t, lines, BrowserFingerprint(otherCfg.Certificates[0].Certificate[0]))
	for _, bad := range [][]byte{nil, made[:len(made)/2], []byte("-----BEGIN")} {
		_, err := ForPhones(bad)
		require.Error(t, err)
	}
}

// TestPhonesSpeakTLS13Alone offers older versions, and clear text.
func TestPhonesSpeakTLS13Alone(t *testing.T) {
	made, err := NewPhone()
	require.NoError(t, err)
	cfg, err := ForPhones(made)
	require.NoError(t, err)
	for version, ok := range map[uint16]bool{tls.VersionTLS13: true, tls.VersionTLS12: false} {
		here, there := net.Pipe()
		go func() {
			_ = tls.Server(there, cfg).Handshake() // the other side says how it went
			_ = there.Close()
		}()
		err := tls.Client(here, &tls.Config{InsecureSkipVerify: true, MaxVersion: version}).Handshake()
		require.Equal(t, ok, err == nil, "%x: %v", version, err)
		_ = here.Close()
	}
}

// TestNoOtherLinkTakesThePhonesKey: a laptop's key is Ed25519, and what is shown
// to phones is not.
func TestNoOtherLinkTakesThePhonesKey(t *testing.T) {
	made, err := NewPhone()
	require.NoError(t, err)
	cfg, err := ForPhones(made)
	require.NoError(t, err)
	leaf, err := x509.ParseCertificate(cfg.Certificates[0].Certificate[0])
	require.NoError(t, err)
	_, err = deviceKey(tls.ConnectionState{PeerCertificates: []*x509.Certificate{leaf}})
	require.Error(t, err)
	_, isDevice := leaf.PublicKey.(ed25519.PublicKey)
	require.False(t, isDevice)
	_, _, err = ParseCertificate(leaf.Raw)
	require.ErrorIs(t, err, ErrNotOurs)
}
