package site

import (
	"embed"
	"html/template"
	"io/fs"
	"path"
	"slices"
	"strings"

	"thawtrail/internal/web/words"
)

//go:embed templates/*.html
var templateFiles embed.FS

// helpers are what templates call.
var helpers = template.FuncMap{
	"say": words.HTML, "asset": AssetAddress, "list": words.List, "scriptWords": words.ScriptWords, "plain": words.Plain,
	// th names a cell after an item of its table's heads: where a row has become a block,
	// each cell names itself.
	"th": func(heads string, column int) template.HTMLAttr {
		return template.HTMLAttr(` data-th="` + template.HTMLEscapeString(words.List(heads)[column]) + `"`) // #nosec G203 -- escaped
	},
	"join": func(all []string) string { return strings.Join(all, ", ") },
	"dict": func(kv ...any) map[string]any {
		m := map[string]any{}
		for i := 0; i+1 < len(kv); i += 2 {
			m[kv[i].(string)] = kv[i+1]
		}
		return m
	},
}

// parseTemplates reads every page with the layout around it, the parts that all
// pages share, and those that the pages of one room share.
func parseTemplates(rooms []fs.FS) (map[string]*template.Template, error) {
	shared, err := template.New("layout").Funcs(helpers).ParseFS(templateFiles, "templates/layout.html", "templates/parts.html")
	if err != nil {
		return nil, err
	}
	out := map[string]*template.Template{}
	for _, room := range append([]fs.FS{templateFiles}, rooms...) {
		if err := parseRoom(out, shared, room); err != nil {
			return nil, err
		}
	}
	return out, nil
}

func parseRoom(out map[string]*template.Template, shared *template.Template, room fs.FS) error {
	base := template.Must(shared.Clone())
	all, err := fs.Glob(room, "templates/*.html")
	if err != nil {
		return err
	}
	if slices.Contains(all, "templates/parts.html") {
		if base, err = base.ParseFS(room, "templates/parts.html"); err != nil {
			return err
		}
	}
	for _, file := range all {
		name := strings.TrimSuffix(path.Base(file), ".html")
		if name == "layout" || name == "parts" {
			continue
		}
		if out[name], err = template.Must(base.Clone()).ParseFS(room, file); err != nil {
			return err
		}
	}
	return nil
}
