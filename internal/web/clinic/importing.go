package clinic

import (
	"bytes"
	"compress/gzip"
	"encoding/base64"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"thawtrail/internal/event"
	"thawtrail/internal/intake"
	"thawtrail/internal/query"
	"thawtrail/internal/refusal"
	"thawtrail/internal/sheet"
	"thawtrail/internal/web/form"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// ImportPath is the page that takes a list in.
const ImportPath = "/clinic/import"

// MaxImport bounds what its form sends: a file as it was chosen, or as the page carries it
// from the look at each row's fate to the press that takes them in. No server keeps it
// meanwhile, so a laptop that begins anew loses nothing.
const MaxImport = sheet.MaxBytes * 2

// importMore is a list on its way into the books.
type importMore struct {
	Form   *form.Form // who takes it in, and when that was true
	Kinds  []site.Option
	Places []site.Option
	Lists  []importList
	Said   string
	Rows   []importRow // what becomes of each; none before a file was read
	Packed string      // the file, to be sent again
	Kind   string
	Place  string
	New    int // rows that a press takes in; 0: none can be
}

// importList says what columns a kind of list has.
type importList struct{ Name, Needed, More string }

// importRow is a row of the file as the page shows it.
type importRow struct {
	N              int
	Fate, Text     string
	Refused, There bool
	Cautions       []string
}

// Import takes a list in: its file is read, each row's fate is shown, and then all rows are
// taken in or none.
func Import(req *site.Request) error {
	m, kind, err := importForm(req)
	if err != nil || req.Method != http.MethodPost {
		return showImport(req, m, err)
	}
	raw, err := importFile(req)
	if err != nil {
		return showImport(req, m, err)
	}
	place := ""
	if kind == intake.Logger {
		if place = m.Place; place == "" {
			return showImport(req, m, refusal.New("place", "", words.Say("import.place_wanted")))
		}
	}
	lines, err := kind.Read(raw, place, form.Clock(req))
	if err != nil {
		return showImport(req, m, err)
	}
	save := req.PostForm.Get("do") == "save"
	b, out, err := foretell(req, m.Form, kind, lines, save)
	if err != nil {
		return showImport(req, m, err)
	}
	if save && b.Count(intake.NotSaved) == 0 && !m.Form.Refused() {
		return importDone(req, kind, place, b, out)
	}
	if m.Packed, err = pack(raw); err != nil {
		return err
	}
	m.tell(req, b)
	return showImport(req, m, nil)
}

// importForm reads what the form says beside its file.
func importForm(req *site.Request) (m *importMore, kind *intake.Kind, err error) {
	word := req.URL.Query().Get("kind")
	if req.Method == http.MethodPost {
		word = req.PostForm.Get("kind")
	}
	if kind, err = intake.KindOf(word); err != nil {
		kind = &intake.Kinds[0]
	}
	m = &importMore{Kind: kind.Word, Place: req.PostForm.Get("place")}
	for _, k := range append(slices.Clone(intake.Kinds), *intake.Logger) {
		name := importKind(k.Word)
		m.Kinds = append(m.Kinds, site.Option{Value: k.Word, Label: name, Checked: k.Word == kind.Word})
		list := importList{Name: name, Needed: words.Say("import.logger")}
		if len(k.Columns) > 0 {
			needed, more := columnsOf(&k)
			list.Needed, list.More = words.Say("import.needed", needed), words.Say("import.more", more)
		}
		m.Lists = append(m.Lists, list)
	}
	if m.Form, err = form.New(req, kind.Event, firstField(kind)); err != nil {
		return nil, nil, err
	}
	m.Form.Inputs = nil // only who says so, and when
	return m, kind, req.Read(func(l *query.ReadView) error {
		m.Places, err = site.Names(l, event.KindPlace)
		for i, o := range m.Places {
			m.Places[i].Checked = o.Value == m.Place
		}
		return err
	})
}

// columnsOf names the columns of a list, those first that it needs.
func columnsOf(k *intake.Kind) (needed, more string) {
	n, m := k.Names()
	return strings.Join(n, ", "), strings.Join(m, ", ")
}

func firstField(k *intake.Kind) string {
	if len(k.Columns) > 0 {
		return k.Columns[0].Field
	}
	return "place"
}

func importKind(word string) string {
	switch word {
	case "stock":
		return words.Say("import.stock")
	case "mares":
		return words.Say("import.mares")
	case "clients":
		return words.Say("import.clients")
	}
	return words.Say("import.temperatures")
}

// showImport shows the page, with what keeps the file from being read.
func showImport(req *site.Request, m *importMore, err error) error {
	if m == nil {
		return err
	}
	if err != nil {
		text, ok := refusal.Plain(err)
		if !ok {
			return err
		}
		req.Refuse("file", "", text)
	}
	if req.Refusals() > 0 {
		req.Code = http.StatusUnprocessableEntity
	}
	return req.Render("import", words.Say("import.title"), "clinic", m)
}

// importFile is the file that was chosen, or that the page carries.
func importFile(req *site.Request) ([]byte, error) {
	if packed := req.PostForm.Get("packed"); packed != "" && req.PostForm.Get("do") == "save" {
		raw, err := unpack(packed)
		if err != nil {
			return nil, refusal.New("file", "", words.Say("import.again"))
		}
		return raw, nil
	}
	raw, err := req.Chosen("file")
	if err == nil && len(raw) == 0 {
		return nil, refusal.New("file", "", words.Say("import.choose"))
	}
	return raw, err
}

// pack makes a file a text that a page can carry.
func pack(raw []byte) (string, error) {
	var b bytes.Buffer
	w := gzip.NewWriter(&b)
	if _, err := w.Write(raw); err != nil {
		return "", err
	}
	if err := w.Close(); err != nil {
		return "", err
	}
	return base64.StdEncoding.EncodeToString(b.Bytes()), nil
}

// unpack reads no more of such a text than a file may have.
func unpack(text string) ([]byte, error) {
	packed, err := base64.StdEncoding.DecodeString(text)
	if err != nil {
		return nil, err
	}
	r, err := gzip.NewReader(bytes.NewReader(packed))
	if err != nil {
		return nil, err
	}
	return io.ReadAll(io.LimitReader(r, sheet.MaxBytes+1))
}

// foretell asks the books what becomes of each row, and has all of them saved where that is
// wanted and each can be.
func foretell(req *site.Request, f *form.Form, kind *intake.Kind, lines []intake.Line, save bool) (*intake.Batch, *pb.WriteAllResponse, error) {
	by, err := f.Asks()
	if err != nil {
		return nil, nil, err
	}
	named := func(kind, text string) (string, error) {
		found, err := req.Site.Stock.Resolve(req.Context(), &pb.ResolveRequest{Kind: kind, Text: text})
		if _, nobody := refusal.As(err); nobody {
			return "", nil
		}
		return found.GetName(), err
	}
	there := func(name string) string { return words.Say("import.client_there", name) }
	b, err := kind.BatchOf(lines, by, save && req.Refusals() == 0, named, there)
	if err != nil || len(b.Ask.Entries) == 0 {
		return b, &pb.WriteAllResponse{}, err
	}
	out, err := req.Site.Records.WriteAllBy(req.Context(), req.Actor(), b.Ask)
	if err != nil {
		return nil, nil, err
	}
	b.Take(out)
	return b, out, nil
}

// mostRefusals is how many rows the head of the page leads to.
const mostRefusals = 8

// tell shows what becomes of each row.
func (m *importMore) tell(req *site.Request, b *intake.Batch) {
	refused := b.Count(intake.NotSaved)
	for _, r := range b.Rows {
		row := importRow{N: r.Row, Text: words.Told(r.Text), Cautions: r.Cautions, Refused: r.Fate == intake.NotSaved, There: r.Fate == intake.There}
		switch {
		case row.Refused:
			row.Fate = words.Say("import.fate_refused")
			if req.Refusals() < mostRefusals {
				req.Refuse("row-"+strconv.Itoa(r.Row), words.Say("import.row", r.Row), row.Text)
			}
		case row.There:
			row.Fate = words.Say("import.fate_there")
		default:
			row.Fate = words.Say("import.fate_would")
		}
		m.Rows = append(m.Rows, row)
	}
	would, there := b.Count(intake.Would), b.Count(intake.There)
	switch {
	case refused > 0:
		m.Said = words.Say("import.refused", refused, len(b.Rows))
	case would > 0:
		m.Said, m.New = words.Say("import.would", would, there), would
	default:
		m.Said = words.Say("import.nothing", there)
	}
}

// importDone tells what was taken in, where it is to be seen.
func importDone(req *site.Request, kind *intake.Kind, place string, b *intake.Batch, out *pb.WriteAllResponse) error {
	told := &pb.WriteResponse{Text: words.Say("import.done", b.Count(intake.Saved), b.Count(intake.There))}
	for _, fate := range out.Fates {
		told.Saved, told.NoProof = fate.Written.Saved, fate.Written.NoProof
		told.Cautions = append(told.Cautions, fate.Written.Cautions...)
	}
	told.Cautions = onceEach(told.Cautions)
	req.Saved(told)
	switch kind.Word {
	case "clients":
		return req.Redirect("/clinic/clients")
	case "mares":
		return req.Redirect("/clinic/levels")
	case intake.Logger.Word:
		return req.Redirect("/clinic/freezer?" + url.Values{"place": {place}}.Encode())
	}
	return req.Redirect("/clinic/stock")
}
