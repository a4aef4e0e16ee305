package clinic

import (
	"cmp"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"thawtrail/internal/event"
	"thawtrail/internal/label"
	"thawtrail/internal/query"
	"thawtrail/internal/web/words"
)

// A delivery on its way is in the address of its page: what was scanned, what was typed,
// and what still waits for an answer. A reload, a lost link, a laptop that begins anew or
// the browser's 'back' lose nothing of it, and no server keeps it.

// Bounds of one delivery.
const (
	maxGridRows  = 40
	maxGridCodes = 200
	maxMissed    = 20
	maxShown     = 80 // characters of a code
	// maxAddress leaves room in the 32 kB that a browser may send before its form.
	maxAddress = 20 << 10
)

// gridHead are the fields that the whole delivery shares.
var gridHead = []string{"supplier", "delivery", "place", "cost_minor", "arrived", "arrived_dc"}

// gridFields are those of a row that a person may type.
var gridFields = []string{"product", "batch", "expiry", "volume_ml", "count", "noted_count", "igg_cg_per_l", "cost_minor"}

// grid is a delivery on its way.
type grid struct {
	id     string // one delivery is saved once
	head   url.Values
	rows   []*gridRow
	asked  []string // codes that can be read in several ways, as scanned
	noted  string   // bags by the delivery note, in all
	last   int      // the row that the last scan counted in, from 1; 0: none
	bad    string   // the last scan, where it could not be counted
	missed []string // scans before it that could not be counted, each once
	twice  string   // the serial of the last scan, where that very bag was scanned before
	today  label.Day
}

// gridRow is a batch of it.
type gridRow struct {
	gtin    string
	codes   []string // the maker's codes that count in it
	serials []string // and the serial in each; empty: it has none
	typed   url.Values
}

func (r *gridRow) get(field string) string { return r.typed.Get(field) }

// scanned says that a field was read from a code, and is not for typing.
func (r *gridRow) scanned(field string) bool {
	switch field {
	case "batch", "expiry":
		return len(r.codes) > 0 && r.get(field) != ""
	}
	return false
}

func (r *gridRow) bags() int {
	n, err := strconv.Atoi(strings.TrimSpace(r.get("count")))
	if err != nil || n < 0 {
		return 0
	}
	return n
}

// gridOf reads a delivery from an address or a form.
func gridOf(v url.Values, today label.Day) *grid {
	g := &grid{id: v.Get("id"), head: url.Values{}, noted: v.Get("noted"), bad: v.Get("bad"), twice: v.Get("twice"), today: today}
	for _, f := range gridHead {
		if v.Get(f) != "" {
			g.head.Set(f, v.Get(f))
		}
	}
	n, _ := strconv.Atoi(v.Get("rows"))
	for i := range min(max(n, 0), maxGridRows) {
		at := "_" + strconv.Itoa(i)
		r := &gridRow{gtin: v.Get("gtin" + at), codes: v["code"+at], serials: v["serial"+at], typed: url.Values{}}
		r.codes = r.codes[:min(len(r.codes), maxGridCodes)]
		r.serials = append(r.serials, make([]string, len(r.codes))...)[:len(r.codes)]
		for _, f := range gridFields {
			if v.Get(f+at) != "" {
				r.typed.Set(f, v.Get(f+at))
			}
		}
		g.rows = append(g.rows, r)
	}
	g.asked = v["asked"][:min(len(v["asked"]), maxGridRows)]
	g.missed = v["missed"][:min(len(v["missed"]), maxMissed)]
	g.last, _ = strconv.Atoi(v.Get("last"))
	return g
}

// values is the delivery as its address has it.
func (g *grid) values() url.Values {
	v := url.Values{"id": {g.id}, "rows": {strconv.Itoa(len(g.rows))}}
	set := func(name, value string) {
		if value != "" {
			v.Set(name, value)
		}
	}
	for f := range g.head {
		set(f, g.head.Get(f))
	}
	set("noted", g.noted)
	set("bad", g.bad)
	set("twice", g.twice)
	if g.last > 0 {
		set("last", strconv.Itoa(g.last))
	}
	for i, r := range g.rows {
		at := "_" + strconv.Itoa(i)
		set("gtin"+at, r.gtin)
		if len(r.codes) > 0 {
			v["code"+at], v["serial"+at] = r.codes, r.serials
		}
		for f := range r.typed {
			set(f+at, r.get(f))
		}
	}
	if len(g.asked) > 0 {
		v["asked"] = g.asked
	}
	if len(g.missed) > 0 {
		v["missed"] = g.missed
	}
	return v
}

// act does what a button says: a scan is counted, a question answered, a row added or
// taken out.
func (g *grid) act(l *query.ReadView, do, scan string) error {
	g.last, g.bad, g.twice = 0, "", ""
	if scan = strings.TrimSpace(scan); scan != "" {
		if err := g.scan(l, scan); err != nil {
			return err
		}
	}
	what, arg, _ := strings.Cut(do, "-")
	n, err := strconv.Atoi(arg)
	switch {
	case what == "add" && len(g.rows) < maxGridRows:
		g.rows = append(g.rows, &gridRow{typed: url.Values{}})
	case what == "drop" && err == nil && 0 <= n && n < len(g.rows):
		g.rows, g.last = slices.Delete(g.rows, n, n+1), 0
	case what == "seen":
		g.missed = nil
	case what == "leave" && len(g.asked) > 0:
		g.asked = g.asked[1:]
	case what == "read" && len(g.asked) > 0:
		code := g.asked[0]
		if ways, _ := label.Readings(code, g.today); err == nil && 0 <= n && n < len(ways) {
			g.asked = g.asked[1:]
			return g.take(l, code, ways[n])
		}
	}
	return nil
}

// scan counts a code in its row. One that can be read in several ways waits for a person,
// and one that says too little is shown.
func (g *grid) scan(l *query.ReadView, code string) error {
	for i, r := range g.rows {
		if at := slices.Index(r.codes, code); at >= 0 {
			g.again(i, r.serials[at])
			return nil
		}
	}
	ways, more := label.Readings(code, g.today)
	switch {
	case len(ways) == 0 || ways[0].Kind != label.KindGS1 || ways[0].GTIN == "" || g.full():
		g.miss(code)
	case more || label.Doubtful(code, ways, g.today):
		if len(g.asked) < maxGridRows {
			g.asked = append(g.asked, code)
		}
	default:
		return g.take(l, code, ways[0])
	}
	return nil
}

// miss keeps a scan that was not counted in sight: the next ones may come while nobody looks.
func (g *grid) miss(code string) {
	if text := []rune(code); len(text) > maxShown {
		code = string(text[:maxShown])
	}
	if g.bad = code; !slices.Contains(g.missed, code) && len(g.missed) < maxMissed {
		g.missed = append(g.missed, code)
	}
}

// again counts one more of a code; but a code with a serial is one bag, once.
func (g *grid) again(i int, serial string) {
	if g.last = i + 1; serial != "" {
		g.twice = serial
		return
	}
	g.rows[i].typed.Set("count", strconv.Itoa(g.rows[i].bags()+1))
}

// full says that the delivery can take no further code: it is saved in two parts.
func (g *grid) full() bool {
	n := 0
	for _, r := range g.rows {
		n += len(r.codes)
	}
	return n >= maxGridCodes || len(g.values().Encode()) > maxAddress
}

// take counts a bag as its code was read. A code without a batch names the product of a row
// that a person fills in, and counts nothing.
func (g *grid) take(l *query.ReadView, code string, read label.Reading) error {
	i := slices.IndexFunc(g.rows, func(r *gridRow) bool {
		return r.gtin == read.GTIN && len(r.codes) > 0 && label.SameBatch(r.get("batch"), read.Batch) && r.get("expiry") == read.Expiry.String()
	})
	if i < 0 {
		if len(g.rows) >= maxGridRows {
			g.miss(code)
			return nil
		}
		row, err := g.rowOf(l, read)
		if err != nil {
			return err
		}
		g.rows = append(g.rows, row)
		i = len(g.rows) - 1
	}
	g.last = i + 1
	if read.Batch == "" {
		g.bad = code
		return nil
	}
	r := g.rows[i]
	r.codes, r.serials = append(r.codes, code), append(r.serials, read.Serial)
	r.typed.Set("count", strconv.Itoa(r.bags()+1))
	return nil
}

// rowOf begins a row with what a code says, and with what is known of its product.
func (g *grid) rowOf(l *query.ReadView, read label.Reading) (*gridRow, error) {
	r := &gridRow{gtin: read.GTIN, typed: url.Values{}}
	r.typed.Set("batch", read.Batch)
	r.typed.Set("expiry", read.Expiry.String())
	known, err := l.ProductsOf(read.GTIN)
	if err != nil {
		return nil, err
	}
	if len(known) == 1 {
		r.typed.Set("product", known[0])
	}
	if read.NetML > 0 {
		r.typed.Set("volume_ml", strconv.FormatInt(read.NetML, 10))
	}
	return r, nil
}

// complete puts in what the label cards know. What a number stands for is told once, in the
// first row that has it.
func (g *grid) complete(l *query.ReadView) error {
	for i, r := range g.rows {
		if at := g.firstOf(i); at != i {
			r.typed.Set("product", g.rows[at].get("product"))
			if r.get("volume_ml") == "" {
				r.typed.Set("volume_ml", g.rows[at].get("volume_ml"))
			}
		}
		card, err := l.Card(r.get("product"))
		if err != nil {
			return err
		}
		if card != nil && card.VolumeMl != nil && r.get("volume_ml") == "" {
			r.typed.Set("volume_ml", strconv.Itoa(int(*card.VolumeMl)))
		}
	}
	return nil
}

// firstOf is the first row that has the number of a row.
func (g *grid) firstOf(i int) int {
	for at, r := range g.rows[:i] {
		if r.gtin != "" && r.gtin == g.rows[i].gtin {
			return at
		}
	}
	return i
}

// name is how a row is called.
func (r *gridRow) name(l *query.ReadView) string {
	return words.Say("delivery.row", cmp.Or(l.Name(event.KindProduct, r.get("product")), words.Say("delivery.no_name")), cmp.Or(r.get("batch"), "?"))
}
