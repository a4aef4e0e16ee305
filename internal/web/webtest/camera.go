package webtest

import (
	"bytes"
	"context"
	"crypto/x509"
	"fmt"
	"image"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// Camera is what a browser's camera is in a test.
type Camera struct {
	Sees    image.Image // what is in front of it; nil: there is no camera
	Refused bool        // the person does not let the page have it
}

// ChromiumWith is Chromium with a camera.
func ChromiumWith(tb testing.TB, within time.Duration, camera Camera, compared ...*x509.Certificate) context.Context {
	tb.Helper()
	opts := []chromedp.ExecAllocatorOption{chromedp.Flag("use-fake-ui-for-media-stream", !camera.Refused), chromedp.Flag("deny-permission-prompts", camera.Refused)}
	if camera.Sees != nil {
		file := filepath.Join(tb.TempDir(), "camera.y4m")
		require.NoError(tb, os.WriteFile(file, film(camera.Sees), 0o600))
		opts = append(opts, chromedp.Flag("use-fake-device-for-media-stream", true), chromedp.Flag("use-file-for-fake-video-capture", file))
	}
	return chromium(tb, within, compared, opts...)
}

// The picture of the camera, in pixels.
const filmWidth, filmHeight = 1280, 720

// film is a picture as a film of two frames in the middle of a grey wall: YUV4MPEG2, with
// brightness for each pixel and no colour.
func film(of image.Image) []byte {
	var b bytes.Buffer
	fmt.Fprintf(&b, "YUV4MPEG2 W%d H%d F10:1 Ip A1:1\n", filmWidth, filmHeight)
	left, top := (filmWidth-of.Bounds().Dx())/2, (filmHeight-of.Bounds().Dy())/2
	for range 2 {
		b.WriteString("FRAME\n")
		for y := range filmHeight {
			for x := range filmWidth {
				at := image.Pt(x-left, y-top).Add(of.Bounds().Min)
				bright := byte(180)
				if at.In(of.Bounds()) {
					r, _, _, _ := of.At(at.X, at.Y).RGBA()
					bright = byte(16 + r>>8*219/255)
				}
				b.WriteByte(bright)
			}
		}
		b.Write(bytes.Repeat([]byte{128}, filmWidth*filmHeight/2))
	}
	return b.Bytes()
}
