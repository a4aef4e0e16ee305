// Package trust keeps a device's identity and decides who may connect.
//
// Every replica signs what it writes with its own Ed25519 key, made on the
// machine on first start and never sent anywhere. Links between machines are not
// yet authenticated: until enrolment exists, servers and agents listen on
// loopback only, and Listen refuses anything else. Transport and Listen are the
// two places where mutual TLS goes in.
package trust

import (
	"crypto/ed25519"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"path/filepath"

	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"

	"thawtrail/internal/refusal"
	"thawtrail/internal/trust/wholefile"
)

const (
	keyFile  = "device.key"
	pemBlock = "PRIVATE KEY" // PKCS #8, RFC 5958
)

// Device reads the device key in dir, or makes one there on first start. The
// file is written, synced and renamed, so that it is whole or absent.
func Device(dir string, random io.Reader) (ed25519.PrivateKey, error) {
	path := filepath.Join(dir, keyFile)
	text, err := os.ReadFile(path)
	switch {
	case err == nil:
		return parseKey(path, text)
	case !errors.Is(err, fs.ErrNotExist):
		return nil, fmt.Errorf("device key: %w", err)
	}
	_, key, err := ed25519.GenerateKey(random)
	if err != nil {
		return nil, fmt.Errorf("device key: %w", err)
	}
	der, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return nil, fmt.Errorf("device key: %w", err)
	}
	return key, WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: pemBlock, Bytes: der}))
}

func parseKey(path string, text []byte) (ed25519.PrivateKey, error) {
	block, _ := pem.Decode(text)
	if block == nil || block.Type != pemBlock {
		return nil, fmt.Errorf("device key: %s is damaged; restore it, or move it away to start as a new laptop", path)
	}
	got, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil {
		return nil, fmt.Errorf("device key: %s: %w", path, err)
	}
	key, ok := got.(ed25519.PrivateKey)
	if !ok {
		return nil, fmt.Errorf("device key: %s holds a %T, not an Ed25519 key", path, got)
	}
	return key, nil
}

// WriteFile replaces a small file durably; see package wholefile.
func WriteFile(path string, data []byte) error { return wholefile.Write(path, data) }

// Listen opens a loopback address and refuses any other.
func Listen(addr string) (net.Listener, error) {
	host, _, err := net.SplitHostPort(addr)
	if err != nil {
		return nil, refusal.New("listen", addr, "an address such as 127.0.0.1:4270")
	}
	if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return nil, refusal.New("listen", addr, "an address of this machine only, such as 127.0.0.1:4270").
			Because("until laptops can be enrolled, nothing here may listen to other machines")
	}
	l, err := net.Listen("tcp", addr)
	if err != nil {
		return nil, fmt.Errorf("listen on %s: %w", addr, err)
	}
	return l, nil
}

// Transport is how a replica speaks to another one.
func Transport() credentials.TransportCredentials { return insecure.NewCredentials() }
