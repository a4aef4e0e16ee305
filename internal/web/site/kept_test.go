package site

import (
	"crypto/sha256"
	"encoding/hex"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestWhatIsKeptIsAsPublished: the reader of codes is the file that its makers publish,
// byte for byte, and its licence comes with it.
func TestWhatIsKeptIsAsPublished(t *testing.T) {
	sum := sha256.Sum256(assets["zxing.js"])
	require.Equal(t, "3ede94153fb0c5b67a12d7adff6decd827c2b22714fdc6faecf27a8f20937ea6", hex.EncodeToString(sum[:]), "umd/index.min.js of @zxing/library 0.23.0")
	require.Contains(t, string(assets["zxing.txt"]), "Apache License")
	require.NotRegexp(t, `\beval\(|new Function\(`, string(assets["zxing.js"]), "the pages' policy lets no text become code")
}
