package webtest

import (
	"image"
	"testing"

	"github.com/makiuchi-d/gozxing"
	"github.com/makiuchi-d/gozxing/qrcode"
	"github.com/stretchr/testify/require"
)

// ScanQR reads a symbol with a reader that is not of the library that made it.
func ScanQR(t testing.TB, img image.Image) string {
	t.Helper()
	bits, err := gozxing.NewBinaryBitmapFromImage(img)
	require.NoError(t, err)
	got, err := qrcode.NewQRCodeReader().Decode(bits, nil)
	require.NoError(t, err)
	return got.GetText()
}
