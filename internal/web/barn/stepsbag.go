package barn

import (
	"cmp"
	"math"
	"strings"
	"time"

	"thawtrail/internal/engine"
	"thawtrail/internal/label"
	"thawtrail/internal/query"
	"thawtrail/internal/refusal"
	"thawtrail/internal/web/caseview"
	"thawtrail/internal/web/form"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
)

// bagCheck is what the two check pages show beside their forms.
type bagCheck struct {
	Bag                   *caseview.Bag
	ReadBatch, ReadExpiry string // as the person read them off the bag
	BatchError            string
	ExpiryError           string
	BatchFirst            bool // what was read is the first thing that was refused
	ExpiryFirst           bool
	Baseline              string
	HasBaseline           bool
	Card                  *caseview.ReactionCard
	Fresh                 string
	Torn                  string // its label cannot be read, and two looks confirmed the books
}

// checkOf prepares a check of the bag that waits.
func checkOf(req *site.Request, p *stepPage) (*bagCheck, error) {
	b := p.Case.Waiting()
	if id := req.URL.Query().Get("bag"); id != "" {
		b = p.Case.Find(id)
	}
	m := &bagCheck{Bag: b, ReadBatch: req.PostForm.Get("read_batch"), ReadExpiry: req.PostForm.Get("read_expiry")}
	p.More = m
	if b != nil && p.Form != nil {
		p.Form.Input("bag").Expect = b.Number
	}
	return m, p.Case.Read(func(l *query.ReadView) error { m.Fresh = l.Freshness(); return nil })
}

func prepareBath(req *site.Request, p *stepPage) error {
	p.Form.Submit = words.Say("bath.submit")
	m, err := checkOf(req, p)
	if m.Bag != nil && m.Bag.TornAt != "" {
		m.Torn = words.Say("torn.confirmed", m.Bag.TornAt)
		p.Form.Input("text").Value = words.Say("torn.word")
	}
	return err
}

// samePhysicalBag compares what was scanned or typed with the bag of the plan.
func samePhysicalBag(p *stepPage, b *caseview.Bag) {
	in := p.Form.Input("bag")
	got, err := label.ParseBag(in.Value)
	switch {
	case err != nil:
		return // the field's own error says it
	case string(got) != b.ID:
		in.Error = words.Say("bath.other_bag", got, b.Number)
	}
}

// compareLabel compares batch and expiry as read off the bag with the books.
func (m *bagCheck) compareLabel(today label.Day) {
	if m.ReadBatch == "" {
		m.BatchError = words.Say("bath.read")
		return
	}
	batch, expiry := m.ReadBatch, m.ReadExpiry
	if r := label.Read(m.ReadBatch, today); r.Kind == label.KindGS1 && r.Batch != "" {
		batch = r.Batch
		if expiry == "" {
			expiry = r.Expiry.String()
		}
	}
	switch {
	case label.SameBatch(batch, m.Bag.Batch):
	case label.NearBatch(batch, m.Bag.Batch):
		m.BatchError = words.Say("bath.almost", m.Bag.Batch)
	default:
		m.BatchError = words.Say("bath.other_batch", m.Bag.Batch)
	}
	day, err := label.ParseDay("expiry", expiry)
	if err != nil {
		m.ExpiryError = err.Error()
	} else if !endsWith(day, m.Bag.Expiry) {
		m.ExpiryError = words.Say("bath.other_expiry", m.Bag.Expiry)
	}
}

// refused puts what was read off the bag and does not fit at the top of the page.
func (m *bagCheck) refused(req *site.Request) bool {
	if m.BatchError != "" {
		m.BatchFirst = req.Refuse("read_batch", words.Say("word.batch"), m.BatchError)
	}
	if m.ExpiryError != "" {
		m.ExpiryFirst = req.Refuse("read_expiry", words.Say("word.expiry"), m.ExpiryError)
	}
	return m.BatchError != "" || m.ExpiryError != ""
}

// endsWith says that two ways to print an expiry mean the same last day: a month
// ends with its last day.
func endsWith(day label.Day, books string) bool {
	known, err := label.ParseDay("expiry", books)
	return err == nil && known.LastInstant(time.UTC).Equal(day.LastInstant(time.UTC))
}

// unticked marks the open points of a check, unless there is a word about them.
func unticked(f *form.Form) {
	if strings.TrimSpace(f.Input("text").Value) != "" {
		return
	}
	for _, in := range f.Inputs {
		if in.Kind == form.KindYes && in.Value == "" {
			in.Error = words.Say("bath.open")
		}
	}
}

func postBath(req *site.Request, p *stepPage) (string, error) {
	return postCheck(req, p, func(m *bagCheck) {
		if m.Bag.Known && m.Torn == "" {
			m.compareLabel(label.DayOf(req.Now.In(p.Case.Zone)))
		}
	})
}

// postCheck saves a check when the bag is the right one and every point has a
// tick or a word.
func postCheck(req *site.Request, p *stepPage, more func(*bagCheck)) (string, error) {
	m := p.More.(*bagCheck)
	if m.Bag == nil {
		return "", refusal.Conflict("bag", "", words.Say("bath.wanted"))
	}
	msg := p.Form.Spec.New()
	if err := p.Form.Fill(msg.ProtoReflect()); err != nil {
		return "", err
	}
	samePhysicalBag(p, m.Bag)
	more(m)
	unticked(p.Form)
	if refused := p.Form.Refused(); m.refused(req) || refused {
		return "", nil
	}
	if saved, err := p.Form.Post(); err != nil || saved == nil {
		return "", err
	}
	return onward(req, CaseSteps[p.Slug], p)
}

// thawMore is what the thaw page shows.
type thawMore struct {
	Bag                              *caseview.Bag
	Start, Measure, Thawed           *form.Form
	Water, WaterC, Hot, Air          string // of the bucket, as typed
	Result                           *thawResult
	Aim                              string // where the bath is brought back to
	TopUp                            string // hot water to add while the bag is lifted out
	Refusal                          string
	MidMs, MeasureMs                 int64
	Low, Mid, High, Since, MeasureAt string
	Cold                             bool // the bath was last under 30 C
	Own                              int  // thaws of the practice that moved the middle
	own                              []engine.ThawRecord
}

type thawResult struct{ Minutes, Ends, HotNeeded, Heat string }

// measureEvery is how long the bath is left between two measurements (ours).
const measureEvery = 5 * time.Minute

func prepareThaw(req *site.Request, p *stepPage) (err error) {
	m := &thawMore{Bag: p.Case.Waiting()}
	p.More = m
	if id := req.URL.Query().Get("bag"); id != "" {
		m.Bag = p.Case.Find(id)
	}
	if m.Bag == nil {
		return nil
	}
	if m.Start, err = form.New(req, "thaw_started", "bath_dc", "water_l_x10"); err != nil {
		return err
	}
	m.Start.Set("bag", m.Bag.ID).Set("case", p.Case.ID).Want("bath_dc")
	m.Start.Submit = words.Say("thaw.submit_start")
	if m.Measure, err = form.New(req, "bath_measured", "bath_dc"); err != nil {
		return err
	}
	m.Measure.Set("bag", m.Bag.ID).Submit = words.Say("thaw.submit_measure")
	if m.Thawed, err = form.New(req, "bag_thawed", "bag_dc"); err != nil {
		return err
	}
	m.Thawed.Set("bag", m.Bag.ID).Submit = words.Say("thaw.submit_thawed")
	if err := p.Case.Read(func(l *query.ReadView) (err error) { m.own, err = l.OwnThaws(); return err }); err != nil {
		return err
	}
	m.Water, m.WaterC, m.Hot, m.Air = asked(req, "water_l"), asked(req, "water_c"), asked(req, "hot_c"), asked(req, "air_c")
	if m.Bag.Stage == caseview.Thawing {
		m.Aim = words.Num(m.aim())
		m.topUp(p)
	} else {
		m.bucket(p)
	}
	m.countdown(p)
	return nil
}

// typed is a value in the address.
func asked(req *site.Request, name string) string {
	return strings.TrimSpace(req.URL.Query().Get(name))
}

// topUp asks the engine how much hot water brings the bath back while the bag is
// lifted out. Litres and temperature are those that were noted last, until others
// are typed.
func (m *thawMore) topUp(p *stepPage) {
	m.Water, m.WaterC = cmp.Or(m.Water, m.Bag.WaterL), cmp.Or(m.WaterC, m.Bag.BathC)
	if m.Hot == "" || m.Water == "" || m.WaterC == "" {
		return
	}
	in := engine.ThawInput{EndAtC: new(m.aim()), LabelMaxC: m.labelMaxC()}
	if !m.read(&in) {
		return
	}
	r, err := engine.Thaw(in)
	if err != nil {
		m.Refusal = err.Error()
		return
	}
	p.basis(r.Basis)
	if *r.WaterNeededKg == 0 {
		m.TopUp = words.Say("thaw.warm_enough", m.WaterC)
		return
	}
	m.TopUp = words.Say("thaw.add", words.Tenth(*r.WaterNeededKg), m.Hot, m.Aim)
}

// bucket asks the engine what the bucket can do.
func (m *thawMore) bucket(p *stepPage) {
	if m.Water == "" || m.WaterC == "" || m.Bag.VolumeMl == 0 {
		return
	}
	in := engine.ThawInput{BagMl: new(float64(m.Bag.VolumeMl)), LabelMaxC: m.labelMaxC(), Recorded: m.own}
	if !m.read(&in) {
		return
	}
	if in.HotC != nil {
		in.EndAtC = new(m.aim())
	}
	r, err := engine.Thaw(in)
	if err != nil {
		m.Refusal = err.Error()
		return
	}
	m.tell(p, r)
}

// read takes the numbers of the bucket as typed.
func (m *thawMore) read(in *engine.ThawInput) bool {
	for _, f := range []struct {
		name, text string
		to         **float64
	}{{"water_l", m.Water, &in.WaterL}, {"water_temp_c", m.WaterC, &in.WaterTempC}, {"hot_c", m.Hot, &in.HotC}, {"air_c", m.Air, &in.AirC}} {
		if f.text == "" {
			continue
		}
		n, err := label.ParseDecimal(f.name, f.text)
		if err != nil {
			m.Refusal = err.Error()
			return false
		}
		*f.to = &n
	}
	return true
}

func (m *thawMore) tell(p *stepPage, r engine.ThawResult) {
	p.basis(r.Basis)
	m.Result = &thawResult{}
	m.Own = r.Learned.N
	if r.ThawMinutes != nil {
		m.Result.Minutes = words.Span(*r.ThawMinutes, words.Whole, "min")
	}
	if r.WaterEndC != nil {
		m.Result.Ends = p.Case.Beside.Celsius(int32(math.Round(*r.WaterEndC * 10)))
	}
	if r.WaterNeededKg != nil {
		m.Result.HotNeeded = words.Say("thaw.hot_needed", words.Num(*r.WaterNeededKg), m.Hot)
	}
	if r.HeatToMeltKJ != nil {
		m.Result.Heat = words.Whole(*r.HeatToMeltKJ) + " kJ"
	}
}

// aimC is where the bath is brought back to: the middle of 30 to 37 C, rounded
// up (ours).
const aimC = 35.0

// labelMaxC is the warmest bath that the label allows; nil: it says nothing.
func (m *thawMore) labelMaxC() *float64 {
	if m.Bag.Card == nil || m.Bag.Card.ThawMaxDc == nil {
		return nil
	}
	return new(float64(*m.Bag.Card.ThawMaxDc) / 10)
}

// aim is where the bath is brought back to: never over what the label allows.
func (m *thawMore) aim() float64 {
	if most := m.labelMaxC(); most != nil {
		return min(aimC, *most)
	}
	return aimC
}

// countdown tells when to look and feel, by the bath as last measured.
func (m *thawMore) countdown(p *stepPage) {
	b := m.Bag
	if b.Stage != caseview.Thawing {
		return
	}
	held := m.aim()
	if c, err := label.ParseDecimal("bath_c", b.BathC); err == nil && c > 20 && c <= 45 {
		held = c
		m.Cold = c < 30
	}
	r, err := engine.Thaw(engine.ThawInput{HeldAtC: &held, BagMl: caseview.Above(float64(b.VolumeMl)), LabelMaxC: m.labelMaxC(), Recorded: m.own})
	if err != nil || r.ThawMinutes == nil {
		return
	}
	if p.Sums == nil {
		p.basis(r.Basis)
	}
	after := func(min float64) time.Time { return b.ThawAt.Add(time.Duration(min * float64(time.Minute))) }
	m.Own = r.Learned.N
	low, mid, high := after(r.ThawMinutes.Low), after(r.ThawMinutes.Mid), after(r.ThawMinutes.High)
	m.MidMs = mid.UnixMilli()
	m.Low, m.Mid, m.High, m.Since = low.Format("15:04"), mid.Format("15:04"), high.Format("15:04"), b.ThawAt.Format("15:04")
	next := b.BathAt.Add(measureEvery)
	m.MeasureMs, m.MeasureAt = next.UnixMilli(), next.Format("15:04")
}

// postThaw saves one of the three things that happen at the bucket.
func postThaw(req *site.Request, p *stepPage) (string, error) {
	m := p.More.(*thawMore)
	f := map[string]*form.Form{"start": m.Start, "measure": m.Measure, "thawed": m.Thawed}[req.PostForm.Get("do")]
	if f == nil {
		return "", site.ErrNotFound
	}
	if saved, err := f.Post(); err != nil || saved == nil {
		return "", err
	}
	if f == m.Thawed {
		return nextOf(req, p.Case.ID)
	}
	return "/case/" + p.Case.ID + "/thaw", nil
}

func prepareHang(req *site.Request, p *stepPage) error {
	p.Form.Submit = words.Say("hang.submit")
	m, err := checkOf(req, p)
	if err != nil {
		return err
	}
	m.HasBaseline = p.Case.C.HasBaseline()
	if b := p.Case.Baseline(); b != nil && b.Baseline {
		warmth := ""
		if b.TemperatureDc != nil {
			warmth = p.Case.Beside.Celsius(*b.TemperatureDc)
		}
		m.Baseline = words.Say("hang.vitals", warmth, words.IntOf(b.HeartRate), words.IntOf(b.BreathingRate), p.Case.At(b.Stamp.AtMs))
	}
	m.Card = p.Case.ReactionCard()
	return nil
}

func postHang(req *site.Request, p *stepPage) (string, error) {
	return postCheck(req, p, func(*bagCheck) {})
}
