package site

import (
	"fmt"
	"image/color"
	"strings"

	"github.com/boombuler/barcode/qr"

	"thawtrail/internal/label"
)

// QR is a QR code (ISO/IEC 18004) as the page draws it: dark modules as one
// path, with the light border of four modules that readers need.
type QR struct {
	Size int // of the whole, border and all, in modules
	Path string
}

const quiet = 4 // modules of light border on each side

// NewQR encodes a text. Level is how much of the symbol may be lost: qr.M for
// a screen, qr.Q for a sticker with frost on it.
func NewQR(text string, level qr.ErrorCorrectionLevel) (QR, error) {
	code, err := qr.Encode(text, level, qr.Auto)
	if err != nil {
		return QR{}, fmt.Errorf("QR code: %w", err)
	}
	n := code.Bounds().Dx()
	dark := func(x, y int) bool { return x < n && code.At(x, y) == color.Black }
	var path strings.Builder
	for y := range n {
		for x := 0; x < n; x++ {
			run := 0
			for dark(x+run, y) {
				run++
			}
			if run > 0 {
				fmt.Fprintf(&path, "M%d %dh%dv1h-%dz", x+quiet, y+quiet, run, run)
				x += run
			}
		}
	}
	return QR{Size: n + 2*quiet, Path: path.String()}, nil
}

// StickerOf is the symbol of a bag's number, without the dashes. A quarter of it
// may be lost to frost and smears.
func StickerOf(number label.BagNumber) (QR, error) { return NewQR(string(number), qr.Q) }
