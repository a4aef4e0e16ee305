package machine

import "embed"

// Templates are the pages of this room.
//
//go:embed templates/*.html
var Templates embed.FS
