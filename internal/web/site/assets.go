package site

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"strings"
	"sync"
	"time"

	"thawtrail/internal/web/words"
)

// What a page loads: our own files, and under kept what others made, as they publish it.
//
//go:embed assets kept
var assetFiles embed.FS

//go:embed rehearsal.css
var rehearsalStyle string

// assets are the files by their names.
var assets = func() map[string][]byte {
	all := map[string][]byte{}
	for _, dir := range []string{"assets", "kept"} {
		list, err := fs.ReadDir(assetFiles, dir)
		for _, f := range list {
			if err == nil {
				all[f.Name()], err = assetFiles.ReadFile(dir + "/" + f.Name())
			}
		}
		if err != nil {
			panic("page: " + err.Error()) // the files are part of the program
		}
	}
	return all
}()

// AssetMarks marks each asset by what it holds.
var AssetMarks = func() map[string]string {
	marks := map[string]string{}
	for name, raw := range assets {
		sum := sha256.Sum256(raw)
		marks[name] = hex.EncodeToString(sum[:8])
	}
	return marks
}()

// AssetAddress is where a page finds a file: it changes with what the file holds,
// so that a browser keeps what it has for good.
func AssetAddress(name string) string { return "/assets/" + name + "?v=" + AssetMarks[name] }

// packedAssets are the assets as most browsers take them, made when the first asks.
var packedAssets = sync.OnceValue(func() map[string][]byte {
	out := map[string][]byte{}
	for name, raw := range assets {
		var b bytes.Buffer
		pack(&b, raw)
		out[name] = b.Bytes()
	}
	return out
})

// ServeAsset serves the style sheet, the scripts, the mark, and what is kept of others.
func ServeAsset(w http.ResponseWriter, r *http.Request) {
	h, name := w.Header(), r.PathValue("name")
	raw, known := assets[name]
	if !known {
		http.NotFound(w, r)
		return
	}
	h.Set("Cache-Control", "no-cache")
	mark := AssetMarks[name]
	if r.URL.Query().Get("v") == mark {
		h.Set("Cache-Control", "private, max-age=31536000, immutable")
	}
	h.Set("Vary", "Accept-Encoding")
	h.Set("ETag", `"`+mark+`"`)
	if takesPacked(r) {
		raw = packedAssets()[name]
		h.Set("ETag", `W/"`+mark+`"`)
		h.Set("Content-Encoding", "gzip")
	}
	http.ServeContent(w, r, name, time.Time{}, bytes.NewReader(raw))
}

// takesPacked says that a browser unpacks what it is sent.
func takesPacked(r *http.Request) bool {
	return strings.Contains(r.Header.Get("Accept-Encoding"), "gzip")
}

// sendText answers with a text, packed where the browser takes that: a phone far down
// in a barn has little of the hotspot. What is packed holds the token of its session;
// no page from elsewhere can try lengths against it, for the session's cookie is strict.
func sendText(w http.ResponseWriter, r *http.Request, code int, kind string, text []byte) {
	h := w.Header()
	h.Set("Content-Type", kind)
	h.Set("Vary", "Accept-Encoding")
	if !takesPacked(r) {
		w.WriteHeader(code)
		_, _ = w.Write(text) // a browser that went away is no error
		return
	}
	h.Set("Content-Encoding", "gzip")
	w.WriteHeader(code)
	pack(w, text)
}

// packers are kept between pages: each holds most of a megabyte.
var packers = sync.Pool{New: func() any {
	z, err := gzip.NewWriterLevel(io.Discard, gzip.BestSpeed)
	if err != nil {
		panic(err) // the level is one of the package's own
	}
	return z
}}

// pack writes a text packed.
func pack(w io.Writer, text []byte) {
	z := packers.Get().(*gzip.Writer)
	defer packers.Put(z)
	z.Reset(w)
	_, _ = z.Write(text) // a browser that went away is no error
	_ = z.Close()
}

// ServeRehearsalStyle serves what marks every line of a rehearsal's pages, on screen and
// on paper. The word is the catalogue's.
func ServeRehearsalStyle(w http.ResponseWriter, _ *http.Request) {
	h := w.Header()
	h.Set("Content-Type", "text/css; charset=utf-8")
	h.Set("Cache-Control", "no-cache")
	_, _ = fmt.Fprintf(w, ":root { --mark: %q; }\n%s", words.Say("rehearsal.mark"), rehearsalStyle) // a browser that went away is no error
}
