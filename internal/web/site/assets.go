package site

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"io/fs"
	"net/http"
)

//go:embed assets
var assetFiles embed.FS

// AssetMarks marks each asset by what it holds.
var AssetMarks = func() map[string]string {
	marks := map[string]string{}
	list, err := fs.ReadDir(assetFiles, "assets")
	for _, f := range list {
		var raw []byte
		if raw, err = assetFiles.ReadFile("assets/" + f.Name()); err != nil {
			break
		}
		sum := sha256.Sum256(raw)
		marks[f.Name()] = hex.EncodeToString(sum[:8])
	}
	if err != nil {
		panic("page: " + err.Error()) // the files are part of the program
	}
	return marks
}()

// AssetAddress is where a page finds a file: it changes with what the file holds,
// so that a browser keeps what it has for good.
func AssetAddress(name string) string { return "/assets/" + name + "?v=" + AssetMarks[name] }

// ServeAsset serves the style sheet, the script and the mark.
func ServeAsset(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	h.Set("Cache-Control", "no-cache")
	if mark := AssetMarks[r.PathValue("name")]; mark != "" {
		h.Set("ETag", `"`+mark+`"`)
		if r.URL.Query().Get("v") == mark {
			h.Set("Cache-Control", "private, max-age=31536000, immutable")
		}
	}
	http.FileServerFS(assetFiles).ServeHTTP(w, r)
}
