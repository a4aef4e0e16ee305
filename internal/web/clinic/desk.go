package clinic

import (
	"net/url"
	"slices"
	"strings"

	"thawtrail/internal/event"
	"thawtrail/internal/label"
	"thawtrail/internal/ledger"
	"thawtrail/internal/query"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// actWords are what can be done with a bag, in a word or two.
func actWords() map[string]string {
	return map[string]string{
		"bags_moved": words.Say("desk.bags_moved"), "bag_discarded": words.Say("desk.bag_discarded"), "bags_lent": words.Say("desk.bags_lent"),
		"bag_returned": words.Say("desk.bag_returned"), "bag_missing": words.Say("desk.bag_missing"), "bag_found": words.Say("desk.bag_found"),
		"bag_kept_back": words.Say("desk.bag_kept_back"), "bags_pulled": words.Say("desk.bags_pulled"), "label_unreadable": words.Say("desk.label_unreadable"),
		"quarantine_decided": words.Say("desk.quarantine_decided"),
	}
}

// actsOf are the presses of a bag's desk: each leads to its form with what is known.
func actsOf(out *pb.GetBagResponse) (acts []site.Pair) {
	b := out.Bag
	back := "/bag/" + b.Bag
	for _, can := range out.Can {
		q := url.Values{"bag": {b.Bag}, "bags": {b.Bag}, "back": {back}}
		if can.Event == "bag_found" {
			q["product"], q["batch"], q["expiry"], q["volume_ml"] = []string{b.Product}, []string{b.Batch}, []string{b.Expiry}, []string{words.Num(float64(b.VolumeMl))}
		}
		acts = append(acts, site.Pair{Name: "/write/" + can.Event + "?" + q.Encode(), Value: actWords()[can.Event]})
	}
	acts = append(acts, site.Pair{Name: "/clinic/labels?bag=" + b.Bag, Value: words.Say("desk.sticker")})
	if b.Batch != "" {
		batch := url.Values{"product": {b.Product}, "batch": {b.Batch}}.Encode()
		acts = append(acts, site.Pair{Name: "/clinic/hold?" + batch, Value: words.Say("desk.hold")}, site.Pair{Name: "/clinic/recall?" + batch, Value: words.Say("desk.recall")})
	}
	return acts
}

// searchedCases is how many cases a search looks through, the newest.
const searchedCases = 2000

// Find goes to what was scanned or typed; of several hits it lists all.
func Find(req *site.Request) error {
	text := strings.TrimSpace(req.URL.Query().Get("q"))
	if text == "" {
		return req.Render("find", words.Say("find.press"), "clinic", map[string]any{"Hits": nil, "Nothing": words.Say("find.nothing_typed")})
	}
	f := &finder{text: text, read: label.Read(text, today(req))}
	err := req.Read(func(l *query.ReadView) error {
		f.l = l
		for _, look := range []func() error{f.bags, f.batches, f.cases, f.clients} {
			if err := look(); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	if len(f.hits) == 1 {
		return req.Redirect(f.hits[0].Name)
	}
	return req.Render("find", words.Say("find.title", text), "clinic", map[string]any{"Hits": f.hits, "Nothing": words.Say("find.nothing", text)})
}

func today(req *site.Request) label.Day {
	return label.Day{Year: req.Now.Year(), Month: req.Now.Month(), Day: req.Now.Day()}
}

// finder looks for what a text or a code names.
type finder struct {
	l    *query.ReadView
	text string
	read label.Reading
	hits []site.Pair
}

func (f *finder) hit(href, text string) {
	p := site.Pair{Name: href, Value: text}
	if len(f.hits) < site.MaxChoices && !slices.Contains(f.hits, p) {
		f.hits = append(f.hits, p)
	}
}

// bags finds our own numbers, whole or begun.
func (f *finder) bags() error {
	if number, err := label.ParseBag(f.text); err == nil {
		bag, err := f.l.Bag(string(number))
		if err != nil {
			return err
		}
		if bag == nil {
			f.hit("/write/bag_found?"+url.Values{"bag": {string(number)}, "back": {"/clinic"}}.Encode(), words.Say("find.enter", number.String()))
			return nil
		}
		f.hit("/bag/"+string(number), words.Say("find.bag", number.String()))
		return nil
	}
	start := label.CanonicalBatch(f.text)
	if len(start) < 3 {
		return nil
	}
	ids, err := f.l.StartingWith(event.KindBag, start, 20)
	for _, id := range ids {
		f.hit("/bag/"+id, words.Say("find.bag", words.BagNumber(id)))
	}
	return err
}

// clients finds clients by a part of the name or of the telephone.
func (f *finder) clients() error {
	if len(f.text) < 3 {
		return nil
	}
	rows, err := f.l.Clients(f.text, site.MaxChoices)
	for _, c := range rows {
		f.hit(clientRowOf(c).Href, words.Say("find.own_client", c.Name))
	}
	return err
}

// batches finds a batch by its code, typed or in a maker's code.
func (f *finder) batches() error {
	code := label.CanonicalBatch(f.text)
	if f.read.Batch != "" {
		code = label.CanonicalBatch(f.read.Batch)
	}
	if code == "" {
		return nil
	}
	return f.l.Each(event.KindBatch, func(s ledger.State) (bool, error) {
		b := s.(*ledger.Batch)
		if label.CanonicalBatch(b.Code) == code {
			product := f.l.Name(event.KindProduct, b.Product)
			f.hit("/clinic/batch?"+url.Values{"product": {product}, "batch": {b.Code}}.Encode(), words.Say("find.batch", product, b.Code))
		}
		return len(f.hits) < site.MaxChoices, nil
	})
}

// cases finds patients by dam, name, chip or client, among the newest.
func (f *finder) cases() error {
	want := strings.ToLower(f.text)
	fits := func(texts ...string) bool {
		return slices.ContainsFunc(texts, func(t string) bool { return t != "" && strings.HasPrefix(strings.ToLower(t), want) })
	}
	for _, term := range []string{ledger.TermOpenCase, ledger.TermClosedCase} {
		keys, err := f.l.Newest(term, searchedCases)
		if err != nil {
			return err
		}
		for _, k := range keys {
			c, err := f.l.Case(k.ID)
			if err != nil || c == nil || c.Patient == nil {
				continue
			}
			p := c.Patient
			name, telephone, _ := f.l.Client(p.Client)
			switch {
			case fits(k.ID, p.DamName, p.Name, p.Chip, p.DamChip, p.DamUeln):
				f.hit("/case/"+k.ID+"/sheet", f.l.Patient(c))
			case fits(name, telephone):
				f.hit("/case/"+k.ID+"/sheet", words.Say("find.client", f.l.Patient(c), name))
			}
		}
	}
	return nil
}

// mostDecided is how many bags one decision takes.
const mostDecided = 200

// warmSpell is what set bags aside, with those of them on which nobody decided yet.
type warmSpell struct {
	Title, Decide, Dossier string
	Bags                   []bagRow
	N                      int
	ids                    []string
}

// warmMore is what waits for a decision, and places that were read too warm.
type warmMore struct {
	Spells []*warmSpell
	Places []site.Pair
}

// waiting gathers bags by the record that set them aside.
type waiting struct {
	rows map[string]*pb.BagRow
	at   map[string]*warmSpell
	out  []*warmSpell
}

// add puts a bag to what set it aside.
func (w *waiting) add(bag, record string, title func() string) {
	s := w.at[record]
	if s == nil {
		s = &warmSpell{Title: title(), Decide: record}
		w.at[record], w.out = s, append(w.out, s)
	}
	if row := w.rows[bag]; row != nil {
		s.Bags, s.ids = append(s.Bags, bagRowOf(row)), append(s.ids, bag)
	}
}

// ofBag puts a bag to each warm spell, delivery and label that set it aside.
func (w *waiting) ofBag(l *query.ReadView, bag *ledger.BagLine) error {
	open, err := l.OpenSpells(bag)
	for _, spell := range open {
		w.add(bag.ID, spell.Stamp.Record.String(), func() string { return words.Say("warm.spell", l.SpellPlace(spell), l.Clock(spell.FromMs)) })
		w.at[spell.Stamp.Record.String()].Dossier = "/clinic/recall?warm=" + spell.Stamp.Record.String()
	}
	undecided := func(record string) bool {
		return record != "" && !slices.ContainsFunc(bag.Judged, func(d ledger.Judged) bool { return d.Warm == record })
	}
	if undecided(bag.Arrived) {
		w.add(bag.ID, bag.Arrived, func() string { return words.Say("warm.arrived") })
	}
	if undecided(bag.Aside) {
		w.add(bag.ID, bag.Aside, func() string { return words.Say("warm.label") })
	}
	return err
}

// ListWarm serves the bags that wait for a decision, by what set them aside.
func ListWarm(req *site.Request) error {
	stock, err := req.Site.Stock.ListStock(req.Context(), &pb.ListStockRequest{})
	if err != nil {
		return err
	}
	w := &waiting{rows: map[string]*pb.BagRow{}, at: map[string]*warmSpell{}}
	for _, b := range stock.Bags {
		w.rows[b.Bag] = b
	}
	err = req.Read(func(l *query.ReadView) error {
		return l.Bags(ledger.TermStock, func(bag *ledger.BagLine) error { return w.ofBag(l, bag) })
	})
	if err != nil {
		return err
	}
	for _, s := range w.out {
		s.N = min(len(s.ids), mostDecided)
		s.Decide = "/write/quarantine_decided?" + url.Values{"bags": s.ids[:s.N], "warm": {s.Decide}, "back": {"/clinic/warm"}}.Encode()
	}
	m := &warmMore{Spells: w.out}
	if m.Places, err = warmPlaces(req); err != nil {
		return err
	}
	return req.Render("warm", words.Say("warm.title"), "clinic", m)
}

// mostWarmPlaces is how many places are looked at for readings that were too warm.
const mostWarmPlaces = 50

// warmPlaces are the places that were read too warm, and whose bags nobody set aside.
func warmPlaces(req *site.Request) (out []site.Pair, err error) {
	places, err := req.Site.Stock.ListPlaces(req.Context(), &pb.ListPlacesRequest{})
	if err != nil {
		return nil, err
	}
	for _, p := range places.Places[:min(len(places.Places), mostWarmPlaces)] {
		if p.LastReadingAt == "" {
			continue
		}
		one, err := req.Site.Stock.GetPlace(req.Context(), &pb.GetPlaceRequest{Place: p.Place})
		if err != nil {
			return nil, err
		}
		if len(one.Warm) > 0 {
			out = append(out, site.Pair{Name: "/clinic/freezer?" + url.Values{"place": {p.Place}}.Encode(), Value: words.Say("warm.place", p.Name, len(one.Warm))})
		}
	}
	return out, nil
}
