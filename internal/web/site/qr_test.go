package site

import (
	"fmt"
	"image"
	"image/color"
	"strings"
	"testing"

	"github.com/boombuler/barcode/qr"
	"github.com/stretchr/testify/require"

	"thawtrail/internal/label"
	"thawtrail/internal/web/webtest"
)

// drawn paints a symbol from its path, as a browser does, each module some dots
// wide.
func drawn(t testing.TB, code QR, dots int) *image.Gray {
	t.Helper()
	img := image.NewGray(image.Rect(0, 0, code.Size*dots, code.Size*dots))
	for i := range img.Pix {
		img.Pix[i] = 0xff
	}
	for _, part := range strings.Split(strings.TrimSuffix(code.Path, "z"), "z") {
		var x, y, run, back int
		_, err := fmt.Sscanf(part, "M%d %dh%dv1h-%d", &x, &y, &run, &back)
		require.NoError(t, err, part)
		require.Equal(t, run, back)
		for dx := range run * dots {
			for dy := range dots {
				img.SetGray(x*dots+dx, y*dots+dy, color.Gray{})
			}
		}
	}
	return img
}

// TestStickersAreScanned reads every kind of symbol back from what a page draws,
// and a bag's also through frost on it.
func TestStickersAreScanned(t *testing.T) {
	for _, text := range []string{"7K2M4Q9XD", "https://192.168.137.1:4290/pair/04711042", "https://[fd12:3456:789a::1]:4290/pair/00000000"} {
		code, err := NewQR(text, qr.M)
		require.NoError(t, err)
		require.Equal(t, text, webtest.ScanQR(t, drawn(t, code, 4)))
	}
	number, err := label.ParseBag("E9N0-JR06-P")
	require.NoError(t, err)
	code, err := StickerOf(number)
	require.NoError(t, err)
	require.Equal(t, 21+2*quiet, code.Size, "the smallest symbol: its modules are large on a sticker")
	img := drawn(t, code, 6)
	for x := 17 * 6; x < 21*6; x++ { // a spot of 4 x 4 modules in the data
		for y := 17 * 6; y < 21*6; y++ {
			img.SetGray(x, y, color.Gray{Y: 0xff})
		}
	}
	read, err := label.ParseBag(webtest.ScanQR(t, img))
	require.NoError(t, err)
	require.Equal(t, number, read, "what a scanner types is our number")
	_, err = NewQR(strings.Repeat("x", 5000), qr.M)
	require.Error(t, err)
}
