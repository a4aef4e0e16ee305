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
	s.mux.HandleFunc("POST /pair", s.pair)
	s.page("GET /{$}", func(v *visit) error { return v.redirect(s.home()) })
	s.page("GET /live", s.stream)
	s.page("POST /who", (*visit).chooseWho)
	s.page("POST /seen", (*visit).sawHold)
	s.page("POST /lock", (*visit).lock)
	s.page("GET /locked", s.showLocked)
	s.page("POST /unlock", s.postUnlock)
	s.page("POST /used", (*visit).used)
	s.here("GET /pin", s.ownPIN)
	s.here("POST /pin", s.ownPIN)
	s.both("/sign", s.signLater)
	s.here("GET /another", s.moreIn)
	s.here("GET /phones", s.showPhones)
	s.here("POST /phones", s.showPhones)

	s.page("GET /barn", s.showNow)
	s.page("GET /blank", s.blankSheet)
	s.page("GET /cases", s.listCases)
	s.both("/open", s.openCase)
	s.page("GET /case/{case}", s.showCase)
	s.both("/case/{case}/{step}", s.showStep)
	s.both(takeOverPath, s.takeOver)
	s.upload()
	s.here("GET /case/{case}/stick", s.showStick)
	s.here("GET /case/{case}/stick/{name}", s.sendStick)
	s.page("GET /case/{case}/vitals.svg", s.vitalsChart)
	s.page("GET /case/{case}/igg.svg", s.iggChart)
	s.both("/write/{event}", s.writeEvent)
	s.page("GET /bag/{bag}", s.showBag)
	s.page("GET /record/{record}", s.showRecord)

	s.page("GET /clinic", s.showClinic)
	s.page("GET /clinic/stock", s.showStock)
	s.both("/clinic/receive", s.receive)
	s.page("GET /clinic/labels", s.labels)
	s.both("/clinic/load", s.load)
	s.both("/clinic/count", s.countPlace)
	s.page("GET /clinic/batches", s.listBatches)
	s.page("GET /clinic/batch", s.showBatch)
	s.both("/clinic/hold", s.holdBatch)
	s.page("GET /clinic/setup", s.setup)
	s.page("GET /clinic/expiry.svg", s.expiryChart)

	s.page("GET /owner", s.showOwner)
	s.page("GET /owner/doubts", s.listDoubts)
	s.page("GET /owner/unproven", s.listUnproven)
	s.here("GET /owner/people", s.listPeople)
	s.page("GET /owner/late", s.listLate)
	s.page("GET /owner/use.svg", s.useChart)
	s.page("GET /owner/csv/{table}", s.csv)
	s.page("GET /", func(*visit) error { return errNowhere })
}

// both registers a page that is read and sent.
func (s *Site) both(address string, h handler) {
	s.page("GET "+address, h)
	s.page("POST "+address, h)
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
