package owner

import "embed"

// Templates are the pages of this room and the parts that they share.
//
//go:embed templates/*.html
var Templates embed.FS
