package barn

import (
	"cmp"
	"encoding/json"
	"math"
	"net/http"
	"slices"
	"strconv"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/caution"
	"thawtrail/internal/engine"
	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/query"
	"thawtrail/internal/refusal"
	"thawtrail/internal/web/caseview"
	"thawtrail/internal/web/form"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// doseMore is what the dose page shows beside its form.
type doseMore struct {
	Missing []string // steps that have to come first
	Plasmas []plasma
	Plasma  *plasma
	Refusal string
	Result  *doseResult
	Places  []site.Option
	Place   string
	Need    string
	Chosen  []string // why these bags
	WasteMl int32
	Empty   bool // nothing fits at the place
	Bags    bool // bags were chosen: the form can be accepted
	Nothing bool // by the sum nothing may be given now
	Fresh   string
	Own     *engine.OwnShare // the practice's own rechecks, where they count
	Protein *proteinMore     // of an adult, when its numbers are in the address
}

// plasma is a product in stock that goes into a vein.
type plasma struct {
	ID, Name string
	BagMl    int32
	IggCg    int32
	Igg      string
	Bags     int
	Words    string // the label's own words on dose
	from     query.IggFrom
}

// doseResult is the dose in words, ready to be read aloud: mL first.
type doseResult struct {
	NowMl                  string // mL to give now
	Now, Later, Rest       string
	Facts                  []figure
	BagsTotal              int
	Lacking, Volume, PerKg string
	Share                  string // that the practice's own rechecks moved it; empty where they do not count
	TotalMl, TotalIgg      string
	FewerMl, FewerIgg      string
	Ceiling                string
	HasFewer, MoreThanNow  bool
}

// figure is one number of an answer: its value stands out, its unit and a note beside.
type figure struct{ Name, Value, Unit, Note string }

// spread is a middle with both ends as a figure.
func spread(name string, r engine.Range, format func(float64) string, unit string) figure {
	f := figure{Name: name, Value: format(r.Mid), Unit: unit}
	if r.Low != r.High {
		f.Note = words.Say("word.from_to", format(r.Low), format(r.High))
	}
	return f
}

func prepareDose(req *site.Request, p *stepPage) error {
	cv := p.Case
	m := &doseMore{}
	p.More = m
	if cv.Kg == 0 {
		m.Missing = append(m.Missing, "weigh")
	}
	if cv.Foal && cv.LastIgg(false) == nil {
		m.Missing = append(m.Missing, "igg")
	}
	if len(m.Missing) > 0 {
		return nil
	}
	if err := cv.Read(m.look); err != nil {
		return err
	}
	q := req.URL.Query()
	m.choosePlasma(q.Get("plasma"))
	sum, ok := m.reckon(req, p)
	if !ok {
		return nil
	}
	if n, err := strconv.Atoi(q.Get("need")); err == nil {
		sum.need = n
	}
	if m.Nothing = m.Result != nil && sum.need == 0; m.Nothing {
		return nil
	}
	if err := m.chooseBags(req, p, q.Get("place"), sum.need); err != nil {
		return err
	}
	versions := []string{engine.Version}
	if m.Plasma != nil {
		versions = append(versions, "card "+m.Plasma.ID)
	}
	p.Form.Amend = func(msg proto.Message) {
		plan := msg.(*pb.PlanAccepted)
		plan.Inputs, plan.Result, plan.Versions = sum.inputs, sum.result, versions
	}
	askReasons(req, p, sum.cautions)
	return nil
}

// doseSum is what a sum asks of the stock, and the sum as the record keeps it.
type doseSum struct {
	need           int
	inputs, result string
	cautions       []caution.Raised
}

// reckon asks the engine how much the patient needs: a foal by its IgG, an adult
// by its total protein, once its numbers are in the address. False: it refused.
func (m *doseMore) reckon(req *site.Request, p *stepPage) (sum doseSum, ok bool) {
	cv := p.Case
	if m.Plasma != nil && cv.Foal {
		in := m.Plasma.dose(cv)
		in.OwnShare = m.Own
		r, err := engine.Dose(in)
		if err != nil {
			m.Refusal = err.Error()
			return sum, false
		}
		p.basis(r.Basis)
		m.Result = doseWords(r, cv.Beside)
		m.Result.Share = shareWords(m.Own)
		return doseSum{wholeMl(r.GiveNowMl), asJSON(in, 8000), asJSON(r, 16000), r.Cautions}, true
	}
	if pr := readProtein(req, cv); !cv.Foal && pr.Asked {
		m.Protein = pr
		in, r, ok := pr.reckon(cv, p)
		m.Refusal = pr.Refusal
		return doseSum{int(math.Round(r.VolumeMl.Mid)), asJSON(in, 8000), asJSON(r, 16000), r.Cautions}, ok
	}
	return sum, true
}

// askReasons asks for the reason of a caution that takes one, before the plan is
// accepted.
func askReasons(req *site.Request, p *stepPage, raised []caution.Raised) {
	if p.Form == nil || req.Method != http.MethodPost {
		return
	}
	for _, c := range raised {
		if c.Level == caution.Reason && req.PostForm.Get("override."+c.Code) == "" {
			p.Form.Override = form.OverrideOf(req, c.Code, c.Text)
		}
	}
}

// inStock adds up what is in stock and goes into a vein.
func (m *doseMore) inStock(l *query.ReadView) error {
	by := map[string]*plasma{}
	places := map[string]int{}
	err := l.Bags(ledger.TermStock, func(bag *ledger.BagLine) (err error) {
		if bag.Label == nil {
			return nil
		}
		pl, ok := by[bag.Label.Product]
		if !ok {
			if pl, err = newPlasma(l, bag.Label); err != nil {
				return err
			}
			by[bag.Label.Product] = pl
		}
		if pl != nil {
			pl.Bags++
			places[bag.Place]++
		}
		return nil
	})
	if err != nil {
		return err
	}
	for _, pl := range by {
		if pl != nil {
			m.Plasmas = append(m.Plasmas, *pl)
		}
	}
	slices.SortFunc(m.Plasmas, func(a, b plasma) int { return cmp.Compare(a.Name, b.Name) })
	for id, n := range places {
		m.Places = append(m.Places, site.Option{Value: id, Label: words.Say("dose.place", l.Name(event.KindPlace, id), n)})
	}
	slices.SortFunc(m.Places, func(a, b site.Option) int { return cmp.Compare(a.Label, b.Label) })
	return nil
}

// newPlasma describes a product by its card; nil when it does not go into a vein.
func newPlasma(l *query.ReadView, of *ledger.BagLabel) (*plasma, error) {
	card, err := l.Card(of.Product)
	if err != nil || card != nil && card.Route == pb.ProductRoute_PRODUCT_ROUTE_MOUTH {
		return nil, err
	}
	pl := &plasma{ID: of.Product, Name: l.Name(event.KindProduct, of.Product), BagMl: of.VolumeMl}
	if card != nil {
		pl.Words = card.Dose
	}
	if pl.IggCg, pl.from, err = l.DonorIgg(of); err != nil {
		return nil, err
	}
	switch pl.from {
	case query.IggOfBatch:
		pl.Igg = words.Say("dose.measured", l.Igg(pl.IggCg), of.Batch)
	case query.IggOfDonor:
		pl.Igg = words.Say("dose.of_donor", l.Igg(pl.IggCg))
	case query.IggLeast:
		pl.Igg = words.Say("dose.least", l.Igg(pl.IggCg))
	}
	return pl, nil
}

func (m *doseMore) choosePlasma(id string) {
	for i := range m.Plasmas {
		if m.Plasmas[i].ID == id || len(m.Plasmas) == 1 {
			m.Plasma = &m.Plasmas[i]
		}
	}
}

func (pl *plasma) dose(cv *caseview.View) engine.DoseInput {
	r, _ := query.Reading(cv.LastIgg(false))
	in := engine.DoseInput{
		WeightKg: cv.WeightKg, IgGReading: r, AgeH: cv.AgeH,
		BagMl: new(float64(pl.BagMl)), Given24hMl: new(float64(cv.PlasmaMl)), OtherFluids24hMl: new(float64(cv.OtherMl)),
	}
	switch gPerL := float64(pl.IggCg) / 100; {
	case pl.from == query.IggLeast:
		in.LabelIgGGPerL = &gPerL
	case pl.IggCg > 0:
		donor := engine.Exactly(gPerL)
		in.DonorIgGGPerL = &donor
	}
	if p := cv.Protocol; p != nil && p.TargetIggCgPerL != nil {
		in.TargetGPerL = new(float64(*p.TargetIggCgPerL) / 100)
	}
	if p := cv.Protocol; p != nil && p.CeilingMlPerKg24H != nil {
		in.CeilingMlPerKg24h = new(float64(*p.CeilingMlPerKg24H))
	}
	return in
}

// look reads what the page needs of the books.
func (m *doseMore) look(l *query.ReadView) (err error) {
	m.Fresh = l.Freshness()
	if m.Own, err = l.OwnShare(); err != nil {
		return err
	}
	return m.inStock(l)
}

// shareWords tells what moved the middle of the share found, with how many foals.
func shareWords(own *engine.OwnShare) string {
	if own == nil {
		return ""
	}
	share, err := engine.LearnShare(*own)
	if err != nil {
		return ""
	}
	return words.Say("dose.own_share", words.Num(share.Mid), words.Num(share.Low), words.Num(share.High), own.N)
}

// wholeMl is a volume as it is told and filled in: rounded down, but for what the sum
// itself rounded.
func wholeMl(ml float64) int { return int(ml + 1e-6) }

func doseWords(r engine.DoseResult, beside query.Beside) *doseResult {
	d := &doseResult{
		NowMl: strconv.Itoa(wholeMl(r.GiveNowMl)), Now: r.Now, Lacking: words.Span(r.IgGLackingG, words.Whole, "g"), Volume: words.Span(r.VolumeMl, words.Whole, "mL"),
		PerKg: words.Span(r.VolumeMlPerKg, words.Whole, "mL/kg"), Ceiling: words.Say("word.ml", words.Whole(r.CeilingMl)),
	}
	if r.LaterMl >= 1 {
		d.Later = words.Say("dose.later", words.Whole(r.LaterMl))
	}
	if r.RestOfBagMl >= 1 {
		d.Rest = words.Say("dose.rest", words.Whole(r.RestOfBagMl))
	}
	b := r.Bags
	if b == nil {
		return d
	}
	d.figures(b, r.GiveNowMl, beside)
	d.BagsTotal, d.MoreThanNow = b.BagsTotal, b.Total.VolumeMl > b.Now.VolumeMl
	d.TotalMl, d.TotalIgg = words.Say("word.ml", words.Whole(b.Total.VolumeMl)), iggSpan(b.Total.ExpectedIgGGPerL, beside)
	if b.OneFewer != nil && b.OneFewer.Bags > 0 {
		d.HasFewer, d.FewerMl, d.FewerIgg = true, words.Say("word.ml", words.Whole(b.OneFewer.VolumeMl)), iggSpan(b.OneFewer.ExpectedIgGGPerL, beside)
	}
	return d
}

// figures are what the volume of now comes to.
func (d *doseResult) figures(b *engine.BagPlan, nowMl float64, beside query.Beside) {
	if igg := b.Now.ExpectedIgGGPerL; igg != nil && nowMl > 0 {
		d.Facts = append(d.Facts, spread(words.Say("dose.igg_after"), *igg, words.Tenth, gPerL(igg.Mid, beside)))
	}
	d.Facts = append(d.Facts, figure{Name: words.Say("dose.by_weight"), Value: words.Whole(b.Now.VolumeMlPerKg), Unit: "mL/kg"},
		figure{Name: words.Say("dose.in_all"), Value: strconv.Itoa(wholeMl(b.Total.VolumeMl)), Unit: "mL", Note: words.Say("dose.bags_in_all", b.BagsTotal)})
}

func iggSpan(r *engine.Range, beside query.Beside) string {
	if r == nil {
		return ""
	}
	return words.Span(*r, words.Tenth, gPerL(r.Mid, beside))
}

// gPerL is the unit behind an expected IgG, and what that is in the one shown beside it.
func gPerL(igg float64, beside query.Beside) string {
	return beside.With("g/L", beside.MgPerDLOf(int32(math.Round(igg*10)*10))) // no finer than the g/L before it
}

// chooseBags lets the engine choose at a place, and makes the form that accepts.
func (m *doseMore) chooseBags(req *site.Request, p *stepPage, place string, need int) (err error) {
	if p.Form, err = form.New(req, "plan_accepted", "bags", "volume_ml"); err != nil {
		return err
	}
	p.Form.Submit = words.Say("dose.submit")
	p.Form.Set("case", p.Case.ID).Set("plan", "dose")
	bags := p.Form.Input("bags")
	bags.Kind, bags.Label, bags.Hint, bags.Required = form.KindTicks, words.Say("dose.bags"), "", true
	volume := p.Form.Input("volume_ml")
	volume.Label, volume.Hint = words.Say("dose.give"), words.Say("dose.give_hint")
	if need > 0 {
		m.Need = strconv.Itoa(need)
	}
	if place == "" {
		if err := req.Read(func(l *query.ReadView) (err error) { place, err = req.Site.OwnPlace(l); return err }); err != nil {
			return err
		}
	}
	for _, o := range m.Places {
		if o.Value == place || len(m.Places) == 1 {
			m.Place = o.Value
		}
	}
	if m.Place == "" || need <= 0 {
		return nil
	}
	out, err := req.Site.Stock.ChooseBags(req.Context(), &pb.ChooseBagsRequest{Case: p.Case.ID, NeedMl: int32(need), Place: m.Place})
	if ref, ok := refusal.As(err); ok {
		m.Refusal = ref.Error()
		return nil
	} else if err != nil {
		return err
	}
	m.Chosen, m.WasteMl, m.Empty, m.Bags = out.Steps, out.WasteMl, len(out.Bags) == 0, len(out.Bags) > 0
	p.Cautions = site.Gravest(append(p.Cautions, site.Cautions(out.Cautions)...))
	sum := int32(0)
	for _, b := range out.Bags {
		sum += b.VolumeMl
		label := words.Say("dose.bag", words.Say("word.bag_line", words.BagNumber(b.Bag), b.Product, b.Batch, b.Expiry, b.VolumeMl), words.Plain(b.State))
		bags.Options = append(bags.Options, site.Option{Value: b.Bag, Label: label, Checked: req.Method == http.MethodGet})
	}
	volume.Value = strconv.Itoa(int(min(sum, int32(need))))
	return nil
}

// postDose accepts the plan as it was shown.
func postDose(req *site.Request, p *stepPage) (string, error) {
	if p.Form == nil {
		return "", refusal.Conflict("plan", "", words.Say("dose.first_refusal"))
	}
	ask := p.Form.Override
	if ask != nil {
		err := p.Form.Fill((&pb.PlanAccepted{}).ProtoReflect()) // only to keep what was typed
		p.Form.Refused()
		return "", err
	}
	if saved, err := p.Form.Post(); err != nil || saved == nil {
		return "", err
	}
	return nextOf(req, p.Case.ID)
}

// asJSON is what was shown, as the record keeps it.
func asJSON(v any, most int) string {
	raw, err := json.Marshal(v)
	if err != nil || len(raw) > most {
		return ""
	}
	return string(raw)
}
