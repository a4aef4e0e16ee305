package clinic

import (
	"cmp"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	"thawtrail/internal/intake"
	"thawtrail/internal/label"
	"thawtrail/internal/query"
	"thawtrail/internal/web/form"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// deliveryMore is the page of a delivery on its way.
type deliveryMore struct {
	ID        string
	Head      *form.Form
	HeadSays  string // what stands in it, while it is folded
	HeadOpen  bool
	Rows      []*deliveryRow
	Carry     []site.Pair // what the page sends again beside its fields
	Said      string      // what became of the last scan
	Wrong     bool        // it was not counted
	Ask       string      // the code that can be read in several ways
	Ways      []site.Pair
	Waiting   int
	Missed    []string // scans that were not counted, and why, until a person has seen to them
	Noted     string
	Sum       string
	Differs   string // of the note's bags and those that came, where somebody has to agree
	Cautions  []*site.Caution
	Saved     string // address of its stickers: it is in the books already
	Bags      int
	StartOver string

	FillOpen         bool   // the fold of the file
	Needed, Optional string // the columns of one
}

// deliveryRow is a row as the page shows it.
type deliveryRow struct {
	N                           int
	Title, Expiry, Volume, GTIN string
	Form                        *form.Form
	Serials                     int
	Learns                      bool // its product is not known by the number yet, and is told here
	Last                        bool // the last scan counted here
	Unfold                      bool // something behind the fold was typed or is wrong
}

// Deliver receives a delivery, scan by scan.
func Deliver(req *site.Request) error {
	if req.Method == http.MethodGet {
		g := gridOf(req.URL.Query(), today(req))
		g.id = cmp.Or(g.id, site.NewRequestID())
		return showDelivery(req, g, nil)
	}
	g := gridOf(req.PostForm, today(req))
	if len(g.id) > maxGridID || g.id == "" {
		g.id = site.NewRequestID()
	}
	save := req.PostForm.Get("do") == "save" && strings.TrimSpace(req.PostForm.Get("scan")) == ""
	err := req.Read(func(l *query.ReadView) error {
		if err := g.act(l, req.PostForm.Get("do"), req.PostForm.Get("scan")); err != nil {
			return err
		}
		return g.complete(l)
	})
	if err != nil {
		return err
	}
	if save {
		g.put(req.PostForm)
		return saveDelivery(req, g)
	}
	return req.Redirect(g.address())
}

// maxGridID bounds the id of a delivery, so that it and a number make a request's id.
const maxGridID = 40

// put has the rows in a form as they are now.
func (g *grid) put(form url.Values) {
	for i, r := range g.rows {
		for field := range r.typed {
			form.Set(field+"_"+strconv.Itoa(i), r.get(field))
		}
	}
}

// address is where this delivery goes on.
func (g *grid) address() string { return "/clinic/delivery?" + g.values().Encode() }

// forms makes the fields of the head and of each row, with what was typed in them.
func (g *grid) forms(req *site.Request) (head *form.Form, rows []*form.Form, err error) {
	if head, err = form.New(req, "bags_received", gridHead...); err != nil {
		return nil, nil, err
	}
	head.Want("place")
	head.In("cost_minor").Required = false
	for _, f := range gridHead {
		keepIn(head.In(f), g.head.Get(f))
	}
	for i, r := range g.rows {
		row, err := form.New(req, "bags_received", gridFields...)
		if err != nil {
			return nil, nil, err
		}
		row.People, row.ID = nil, "row"
		row.Among(i)
		for _, f := range gridFields {
			keepIn(row.In(f+"_"+strconv.Itoa(i)), r.get(f))
		}
		rows = append(rows, row)
	}
	return head, rows, nil
}

func keepIn(in *form.Input, text string) {
	if text != "" {
		in.Keep([]string{text})
	}
}

// showDelivery shows the page; forms are those of a press that was refused.
func showDelivery(req *site.Request, g *grid, rows []*form.Form, refused ...*form.Form) error {
	head, fresh, err := g.forms(req)
	if err != nil {
		return err
	}
	if len(refused) > 0 {
		head, fresh = refused[0], rows
	}
	m := &deliveryMore{ID: g.id, Head: head, Noted: g.noted, Waiting: len(g.asked), StartOver: "/clinic/delivery", FillOpen: req.URL.Path == FillPath}
	m.Needed, m.Optional = columnsOf(intake.Delivery)
	err = req.Read(func(l *query.ReadView) error {
		for i, r := range g.rows {
			m.Rows = append(m.Rows, rowView(l, g, i, r, fresh[i]))
			m.Bags += r.bags()
		}
		m.tellScan(l, g)
		m.ask(l, g)
		m.Saved, err = savedDelivery(l, g)
		return err
	})
	if err != nil {
		return err
	}
	m.sums(g)
	for _, f := range append([]*form.Form{head}, fresh...) {
		for _, name := range slices.Sorted(maps.Keys(f.Carry)) {
			m.Carry = append(m.Carry, site.Pair{Name: name, Value: f.Carry[name]})
		}
	}
	m.foldHead(len(g.rows) > 0)
	m.Cautions = g.foresee(req, head, fresh)
	return req.Render("delivery", words.Say("delivery.title"), "clinic", m)
}

// rowView shows a row: what was read from a code is told, the rest is asked.
func rowView(l *query.ReadView, g *grid, i int, r *gridRow, f *form.Form) *deliveryRow {
	at := "_" + strconv.Itoa(i)
	v := &deliveryRow{N: i, Title: r.name(l), Form: f, GTIN: r.gtin, Last: g.last == i+1, Learns: r.gtin != "" && g.firstOf(i) == i && !learned(l, r)}
	for _, serial := range r.serials {
		if serial != "" {
			v.Serials++
		}
	}
	keep := f.Inputs[:0]
	for _, in := range f.Inputs {
		field := strings.TrimSuffix(in.Name, at)
		known := r.scanned(field) || field == "product" && r.gtin != "" && !v.Learns && (r.get("product") != "" || g.firstOf(i) != i)
		if known && in.Error == "" {
			continue
		}
		in.Less = field == "igg_cg_per_l" || field == "cost_minor" || field == "volume_ml" && r.get(field) != ""
		v.Unfold = v.Unfold || in.Less && (in.Error != "" || in.Value != "" && field != "volume_ml")
		in.Hint = ""
		keep = append(keep, in)
	}
	f.Inputs = keep
	if r.scanned("expiry") {
		v.Expiry = r.get("expiry")
	}
	if n, err := strconv.Atoi(r.get("volume_ml")); err == nil {
		v.Volume = words.Say("word.ml", n)
	}
	return v
}

// learned says that the books know which one product a row's number stands for.
func learned(l *query.ReadView, r *gridRow) bool {
	known, err := l.ProductsOf(r.gtin)
	return err == nil && len(known) == 1 && known[0] == r.get("product")
}

// foldHead folds the head once it is filled in, and says what stands in it.
func (m *deliveryMore) foldHead(begun bool) {
	m.HeadOpen = !begun
	var says []string
	for _, in := range m.Head.Inputs {
		if in.Error != "" || in.Required && in.Value == "" {
			m.HeadOpen = true
		}
		at := slices.IndexFunc(in.Options, func(o site.Option) bool { return o.Checked })
		switch {
		case at >= 0:
			says = append(says, in.Options[at].Label)
		case in.Name == "supplier" || in.Name == "delivery":
			says = append(says, in.Value)
		}
	}
	m.HeadSays = strings.Join(slices.DeleteFunc(says, func(s string) bool { return s == "" }), ", ")
}

// hidden are the parts of the delivery that are sent again unseen.
func (m *deliveryMore) hidden(g *grid) {
	seen := map[string]bool{"scan": true, "noted": true}
	for _, in := range m.Head.Inputs {
		seen[in.Name] = true
	}
	for _, r := range m.Rows {
		for _, in := range r.Form.Inputs {
			seen[in.Name] = true
		}
	}
	v := g.values()
	for _, skip := range []string{"last", "bad", "twice"} {
		v.Del(skip)
	}
	for _, name := range slices.Sorted(maps.Keys(v)) {
		for _, value := range v[name] {
			if !seen[name] {
				m.Carry = append(m.Carry, site.Pair{Name: name, Value: value})
			}
		}
	}
}

// tellScan says what became of the last scan, and which before it were not counted.
func (m *deliveryMore) tellScan(l *query.ReadView, g *grid) {
	for _, code := range g.missed {
		if code == g.bad {
			continue // said below the field
		}
		m.Missed = append(m.Missed, g.why(code))
	}
	switch {
	case g.twice != "":
		m.Said, m.Wrong = words.Say("delivery.twice", g.twice), true
	case g.bad != "":
		m.Said, m.Wrong = g.why(g.bad), true
	case 0 < g.last && g.last <= len(g.rows):
		r := g.rows[g.last-1]
		m.Said = words.Say("delivery.counted", r.name(l), r.bags())
	}
}

// why says why a code was not counted.
func (g *grid) why(code string) string {
	read := label.Read(code, g.today)
	switch {
	case read.Kind == label.KindBag && read.Valid:
		return words.Say("delivery.own", read.Number)
	case read.Kind == label.KindGS1 && !read.Valid && read.Problem != "":
		return words.Say("delivery.unread", shown(code), words.Say("delivery.broken"))
	case read.Kind != label.KindGS1 || read.GTIN == "":
		return words.Say("delivery.unread", shown(code), words.Say("delivery.no_product"))
	case read.Batch == "":
		return words.Say("delivery.no_batch", read.GTIN)
	}
	return words.Say("delivery.full")
}

// shown is a code as a person may see it: its separators as a mark, and not too long.
func shown(code string) string {
	text := []rune(strings.ReplaceAll(code, "\x1d", "·"))
	if len(text) >= maxShown {
		text = append(text[:maxShown], '…')
	}
	return string(text)
}

// ask puts the question how the first code that waits is to be read.
func (m *deliveryMore) ask(l *query.ReadView, g *grid) {
	if len(g.asked) == 0 {
		return
	}
	m.Ask = shown(g.asked[0])
	ways, _ := label.Readings(g.asked[0], g.today)
	for i, w := range ways {
		text := words.Say("delivery.way", cmp.Or(w.Batch, "-"), cmp.Or(w.Expiry.String(), "-"))
		if w.Serial != "" {
			text = words.Say("delivery.way_serial", text, w.Serial)
		}
		if known, err := l.ProductsOf(w.GTIN); err == nil && len(known) == 1 {
			if b, err := l.Batch(known[0], w.Batch); err == nil && b != nil {
				text = words.Say("delivery.way_known", text)
			}
		}
		m.Ways = append(m.Ways, site.Pair{Name: "read-" + strconv.Itoa(i), Value: text})
	}
}

// sums compares what came with what the note says.
func (m *deliveryMore) sums(g *grid) {
	m.Sum = words.Say("delivery.sum", m.Bags)
	if n, err := strconv.Atoi(strings.TrimSpace(g.noted)); err == nil {
		m.Sum = words.Say("delivery.sum_of", m.Bags, n)
		if n != m.Bags {
			m.Differs = words.Say("delivery.differs", n, m.Bags)
		}
	}
	m.hidden(g)
}

// foresee lists what would be raised if it were saved now.
func (g *grid) foresee(req *site.Request, head *form.Form, rows []*form.Form) (out []*site.Caution) {
	told := map[string]bool{}
	for _, p := range g.payloads(req) {
		entry, err := event.Wrap(head.Spec.Type, p)
		if err != nil {
			continue
		}
		raised, err := req.Site.Records.Foresee(req.Context(), entry)
		if err != nil {
			continue // not whole yet: the press tells what lacks
		}
		for _, c := range site.Cautions(raised) {
			if !told[c.Text] {
				told[c.Text] = true
				out = append(out, c)
			}
		}
	}
	return site.Gravest(out)
}

// payloads are the rows as far as they can be read, for a look ahead.
func (g *grid) payloads(req *site.Request) (out []*pb.BagsReceived) {
	scratch := *req
	plain := *req.Request
	plain.PostForm = g.values()
	scratch.Request = &plain
	head, rows, err := g.forms(&scratch)
	if err != nil {
		return nil
	}
	shared := &pb.BagsReceived{}
	if head.Fill(shared.ProtoReflect()) != nil {
		return nil
	}
	for _, row := range rows {
		p := proto.CloneOf(shared)
		if row.Fill(p.ProtoReflect()) == nil {
			out = append(out, p)
		}
	}
	return out
}
