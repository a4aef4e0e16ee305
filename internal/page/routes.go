package page

import (
	"embed"
	"html/template"
	"io/fs"
	"path"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"
)

//go:embed templates/*.html
var templateFiles embed.FS

func protoName(s string) protoreflect.Name { return protoreflect.Name(s) }

// routes lists every address of the site.
func (s *Site) routes() {
	s.mux.HandleFunc("GET /assets/{name}", serveAsset)
	s.mux.HandleFunc("GET /enter/{code}", s.enter)
	s.mux.HandleFunc("GET /pair", s.showPair)
	s.mux.HandleFunc("GET /pair/{code}", s.showPair)
	s.mux.HandleFunc("POST /pair", s.pairPhone)
	s.Page("GET /{$}", func(req *Request) error { return req.redirect(s.home()) })
	s.Page("GET /live", stream)
	s.Page("POST /who", chooseWho)
	s.Page("POST /seen", sawHold)
	s.Page("POST /lock", lock)
	s.Page("GET /locked", showLocked)
	s.Page("POST /unlock", postUnlock)
	s.Page("POST /used", used)
	s.Here("GET /pin", ownPIN)
	s.Here("POST /pin", ownPIN)
	s.Both("/sign", signLater)
	s.Here("GET /another", moreIn)
	s.Here("GET /phones", showPhones)
	s.Here("POST /phones", showPhones)

	s.Page("GET /barn", showNow)
	s.Page("GET /blank", blankSheet)
	s.Page("GET /cases", listCases)
	s.Both("/open", openCase)
	s.Page("GET /case/{case}", showCase)
	s.Both("/case/{case}/{step}", showStep)
	s.Both(takeOverPath, takeOver)
	s.upload()
	s.Here("GET /case/{case}/stick", showStick)
	s.Here("GET /case/{case}/stick/{name}", sendStick)
	s.Page("GET /case/{case}/vitals.svg", vitalsChart)
	s.Page("GET /case/{case}/igg.svg", iggChart)
	s.Both("/write/{event}", writeEvent)
	s.Page("GET /bag/{bag}", showBag)
	s.Page("GET /record/{record}", showRecord)

	s.Page("GET /clinic", showClinic)
	s.Page("GET /clinic/stock", showStock)
	s.Both("/clinic/receive", receive)
	s.Page("GET /clinic/labels", labels)
	s.Both("/clinic/load", load)
	s.Both("/clinic/count", countPlace)
	s.Page("GET /clinic/batches", listBatches)
	s.Page("GET /clinic/batch", showBatch)
	s.Both("/clinic/hold", holdBatch)
	s.Page("GET /clinic/setup", setup)
	s.Page("GET /clinic/expiry.svg", expiryChart)

	s.Page("GET /owner", showOwner)
	s.Page("GET /owner/doubts", listDoubts)
	s.Page("GET /owner/unproven", listUnproven)
	s.Here("GET /owner/people", listPeople)
	s.Page("GET /owner/late", listLate)
	s.Page("GET /owner/use.svg", useChart)
	s.Page("GET /owner/csv/{table}", sendCSV)
	s.Page("GET /", func(*Request) error { return ErrNotFound })
}

// both registers a page that is read and sent.
func (s *Site) Both(address string, h Handler) {
	s.Page("GET "+address, h)
	s.Page("POST "+address, h)
}

// helpers are what templates call.
var helpers = template.FuncMap{
	"say": sayHTML, "asset": assetAddress, "list": list, "scriptWords": scriptWords, "plain": plain,
	"join": func(all []string) string { return strings.Join(all, ", ") },
	"dict": func(kv ...any) map[string]any {
		m := map[string]any{}
		for i := 0; i+1 < len(kv); i += 2 {
			m[kv[i].(string)] = kv[i+1]
		}
		return m
	},
}

// parseTemplates reads every page with the layout around it and the parts that
// pages share.
func parseTemplates() (map[string]*template.Template, error) {
	base, err := template.New("layout").Funcs(helpers).ParseFS(templateFiles, "templates/layout.html", "templates/parts.html")
	if err != nil {
		return nil, err
	}
	all, err := fs.Glob(templateFiles, "templates/*.html")
	if err != nil {
		return nil, err
	}
	out := map[string]*template.Template{}
	for _, file := range all {
		name := strings.TrimSuffix(path.Base(file), ".html")
		if name == "layout" || name == "parts" {
			continue
		}
		t, err := template.Must(base.Clone()).ParseFS(templateFiles, file)
		if err != nil {
			return nil, err
		}
		out[name] = t
	}
	return out, nil
}
