package page

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/engine"
	"thawtrail/internal/event"
	"thawtrail/internal/label"
	"thawtrail/internal/refusal"
	"thawtrail/internal/service"
	"thawtrail/internal/typed"
	pb "thawtrail/proto/thawtrail/v1"
)

// bagCheck is what the two check pages show beside their forms.
type bagCheck struct {
	Bag                   *bagView
	ReadBatch, ReadExpiry string // as the person read them off the bag
	BatchError            string
	ExpiryError           string
	Baseline              string
	HasBaseline           bool
	Card                  *reactionCard
	Fresh                 string
}

// checkOf prepares a check of the bag that waits.
func (v *visit) checkOf(p *stepPage) (*bagCheck, error) {
	b := p.Case.waiting()
	if id := v.r.URL.Query().Get("bag"); id != "" {
		b = p.Case.find(id)
	}
	m := &bagCheck{Bag: b, ReadBatch: v.r.PostForm.Get("read_batch"), ReadExpiry: v.r.PostForm.Get("read_expiry")}
	p.More = m
	if b != nil && p.Form != nil {
		p.Form.input("bag").Expect = b.Number
	}
	return m, p.Case.look(func(l service.Look) error { m.Fresh = l.Freshness(); return nil })
}

func prepareBath(v *visit, p *stepPage) error {
	p.Form.Submit = "Checked: on to the bath"
	_, err := v.checkOf(p)
	return err
}

// samePhysicalBag compares what was scanned or typed with the bag of the plan.
func samePhysicalBag(p *stepPage, b *bagView) {
	in := p.Form.input("bag")
	got, err := label.ParseBag(in.Value)
	switch {
	case err != nil:
		return // the field's own error says it
	case string(got) != b.ID:
		in.Error = fmt.Sprintf("This is bag %s. The plan says bag %s: fetch that one, or change the plan under 'Dose and bags'.", got, b.Number)
	}
}

// compareLabel compares batch and expiry as read off the bag with the books.
func (m *bagCheck) compareLabel(today label.Day) {
	if m.ReadBatch == "" {
		m.BatchError = "Read the batch off the bag: scan or type it."
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
		m.BatchError = "Almost, but not quite: the books say batch " + m.Bag.Batch + ". Read it again."
	default:
		m.BatchError = "This is another batch: the books say " + m.Bag.Batch + " for this bag. Do not use it before you know why."
	}
	day, err := label.ParseDay("expiry", expiry)
	if err != nil {
		m.ExpiryError = err.Error()
	} else if !endsWith(day, m.Bag.Expiry) {
		m.ExpiryError = "The books say expiry " + m.Bag.Expiry + " for this bag. Read it again."
	}
}

// endsWith says that two ways to print an expiry mean the same last day: a month
// ends with its last day.
func endsWith(day label.Day, books string) bool {
	known, err := label.ParseDay("expiry", books)
	return err == nil && known.LastInstant(time.UTC).Equal(day.LastInstant(time.UTC))
}

// unticked says that a check has open points and no word about them.
func unticked(f *form) bool {
	open := slices.ContainsFunc(f.Inputs, func(in *input) bool { return in.Kind == kindYes && in.Value == "" })
	return open && strings.TrimSpace(f.input("text").Value) == ""
}

// sayTicks asks for every tick or a word.
const sayTicks = "Not every point is ticked. Tick what you have checked, or write what is not in order."

func postBath(v *visit, p *stepPage) (string, error) {
	return v.postCheck(p, func(m *bagCheck) {
		if m.Bag.Known {
			m.compareLabel(label.DayOf(v.now.In(p.Case.Zone)))
		}
	})
}

// postCheck saves a check when the bag is the right one and every point has a
// tick or a word.
func (v *visit) postCheck(p *stepPage, more func(*bagCheck)) (string, error) {
	m := p.More.(*bagCheck)
	if m.Bag == nil {
		return "", refusal.Conflict("bag", "", "a bag that waits in this case")
	}
	msg := p.Form.spec.New()
	if err := p.Form.fill(msg.ProtoReflect()); err != nil {
		return "", p.Form.told(err)
	}
	samePhysicalBag(p, m.Bag)
	more(m)
	if unticked(p.Form) {
		p.Form.input("text").Error = sayTicks
	}
	if p.Form.wrong() || m.BatchError != "" || m.ExpiryError != "" {
		return "", nil
	}
	out, ok, err := p.Form.post()
	if err != nil || !ok {
		return "", err
	}
	v.saved(out)
	return v.onward(caseSteps[p.Slug], p)
}

// thawMore is what the thaw page shows.
type thawMore struct {
	Bag                              *bagView
	Start, Measure, Thawed           *form
	Water, WaterC, Hot, Air          string // of the bucket, as typed
	Result                           *thawResult
	Refusal                          string
	LowMs, MidMs, HighMs, MeasureMs  int64
	Low, Mid, High, Since, MeasureAt string
	Cold                             bool // the bath was last under 30 C
}

type thawResult struct{ Minutes, Ends, HotNeeded, Heat string }

// measureEvery is how long the bath is left between two measurements (ours).
const measureEvery = 5 * time.Minute

func prepareThaw(v *visit, p *stepPage) (err error) {
	m := &thawMore{Bag: p.Case.waiting()}
	p.More = m
	if id := v.r.URL.Query().Get("bag"); id != "" {
		m.Bag = p.Case.find(id)
	}
	if m.Bag == nil {
		return nil
	}
	if m.Start, err = v.newForm("thaw_started", "bath_dc", "water_l_x10"); err != nil {
		return err
	}
	m.Start.set("bag", m.Bag.ID).set("case", p.Case.ID).want("bath_dc")
	m.Start.Submit = "Into the bath now"
	if m.Measure, err = v.newForm("bath_measured", "bath_dc"); err != nil {
		return err
	}
	m.Measure.set("bag", m.Bag.ID).Submit = "Note the bath"
	if m.Thawed, err = v.newForm("bag_thawed", "bag_dc"); err != nil {
		return err
	}
	m.Thawed.set("bag", m.Bag.ID).Submit = "Fully thawed by look and feel"
	m.bucket(v, p)
	m.countdown(p)
	return nil
}

// bucket asks the engine what the bucket can do.
func (m *thawMore) bucket(v *visit, p *stepPage) {
	q := v.r.URL.Query()
	m.Water, m.WaterC, m.Hot, m.Air = q.Get("water_l"), q.Get("water_c"), q.Get("hot_c"), q.Get("air_c")
	if m.Water == "" || m.WaterC == "" || m.Bag.VolumeMl == 0 {
		return
	}
	in := engine.ThawInput{BagMl: new(float64(m.Bag.VolumeMl))}
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
			return
		}
		*f.to = &n
	}
	if in.HotC != nil {
		in.EndAtC = new(aimC)
	}
	r, err := engine.Thaw(in)
	if err != nil {
		m.Refusal = err.Error()
		return
	}
	p.basis(r.Basis)
	m.Result = &thawResult{}
	if r.ThawMinutes != nil {
		m.Result.Minutes = span(*r.ThawMinutes, whole, "min")
	}
	if r.WaterEndC != nil {
		m.Result.Ends = num(*r.WaterEndC) + " C"
	}
	if r.WaterNeededKg != nil {
		m.Result.HotNeeded = num(*r.WaterNeededKg) + " L of water at " + m.Hot + " C"
	}
	if r.HeatToMeltKJ != nil {
		m.Result.Heat = whole(*r.HeatToMeltKJ) + " kJ"
	}
}

// aimC is where the bath is brought back to: the middle of 30 to 37 C, rounded
// up (ours).
const aimC = 35.0

// countdown tells when to look and feel, by the bath as last measured.
func (m *thawMore) countdown(p *stepPage) {
	b := m.Bag
	if b.Stage != stageThawing {
		return
	}
	held := aimC
	if c, err := label.ParseDecimal("bath_c", b.BathC); err == nil && c > 20 && c <= 45 {
		held = c
		m.Cold = c < 30
	}
	r, err := engine.Thaw(engine.ThawInput{HeldAtC: &held, BagMl: above(float64(b.VolumeMl))})
	if err != nil || r.ThawMinutes == nil {
		return
	}
	if p.Sums == nil {
		p.basis(r.Basis)
	}
	after := func(min float64) time.Time { return b.ThawAt.Add(time.Duration(min * float64(time.Minute))) }
	low, mid, high := after(r.ThawMinutes.Low), after(r.ThawMinutes.Mid), after(r.ThawMinutes.High)
	m.LowMs, m.MidMs, m.HighMs = low.UnixMilli(), mid.UnixMilli(), high.UnixMilli()
	m.Low, m.Mid, m.High, m.Since = low.Format("15:04"), mid.Format("15:04"), high.Format("15:04"), b.ThawAt.Format("15:04")
	next := b.BathAt.Add(measureEvery)
	m.MeasureMs, m.MeasureAt = next.UnixMilli(), next.Format("15:04")
}

func above(v float64) *float64 {
	if v <= 0 {
		return nil
	}
	return &v
}

// postThaw saves one of the three things that happen at the bucket.
func postThaw(v *visit, p *stepPage) (string, error) {
	m := p.More.(*thawMore)
	f := map[string]*form{"start": m.Start, "measure": m.Measure, "thawed": m.Thawed}[v.r.PostForm.Get("do")]
	if f == nil {
		return "", errNowhere
	}
	out, ok, err := f.post()
	if err != nil || !ok {
		return "", err
	}
	v.saved(out)
	if f == m.Thawed {
		return v.nextOf(p.Case.ID)
	}
	return "/case/" + p.Case.ID + "/thaw", nil
}

// rateMore is what the rate page shows.
type rateMore struct {
	VolumeMl       string
	Missing        bool
	Options        []rateOption
	Plateau, Drops string
	Result         *rateResult
	Refusal        string
	Words          string // the label's own words on the rate
	OverCeiling    bool
}

type rateOption struct {
	PerKg, MlPerH, Takes string
	Note                 string
	Checked              bool
}

type rateResult struct {
	Stages []engineStage
	Total  string
	Vitals string
}

// engineStage is one stage of the drip in words.
type engineStage struct{ From, To, PerKg, MlPerH, Drops, Volume string }

// plateaus are shown to choose from; the last is the cautious ceiling.
var plateaus = []struct {
	perKg float64
	note  string
}{{5, "slow"}, {10, "half of the ceiling"}, {20, "the cautious ceiling"}}

func prepareRate(v *visit, p *stepPage) error {
	cv := p.Case
	m := &rateMore{}
	p.More = m
	b := cv.open()
	if cv.Kg == 0 || b == nil || b.VolumeMl == 0 {
		m.Missing = true
		return nil
	}
	if b.Card != nil {
		m.Words = b.Card.Rate
	}
	q := v.r.URL.Query()
	m.VolumeMl, m.Plateau, m.Drops = fmt.Sprint(b.VolumeMl), q.Get("plateau"), q.Get("drops")
	for _, o := range plateaus {
		in := cv.dripInput(float64(b.VolumeMl), o.perKg, 0)
		if r, err := engine.Drip(in); err == nil {
			m.Options = append(m.Options, rateOption{PerKg: num(o.perKg), MlPerH: whole(o.perKg * cv.Kg), Takes: hours(r.TotalMin), Note: o.note, Checked: num(o.perKg) == m.Plateau})
		}
	}
	if m.Plateau == "" || m.Drops == "" {
		return nil
	}
	in, err := cv.typedDrip(float64(b.VolumeMl), m)
	if err == nil {
		var r engine.DripResult
		if r, err = engine.Drip(in); err == nil {
			p.basis(r.Basis)
			m.Result = rateWords(r)
			return m.form(v, p, in, r)
		}
	}
	m.Refusal = err.Error()
	return nil
}

// typedDrip reads plateau and drop factor as typed.
func (cv *caseView) typedDrip(volume float64, m *rateMore) (engine.DripInput, error) {
	perKg, err := label.ParseDecimal("plateau", m.Plateau)
	if err != nil {
		return engine.DripInput{}, err
	}
	drops, err := label.ParseDecimal("drops_per_ml", m.Drops)
	return cv.dripInput(volume, perKg, drops), err
}

func (cv *caseView) dripInput(volume, perKg, drops float64) engine.DripInput {
	in := engine.DripInput{VolumeMl: volume, PlateauMlPerKgPerH: &perKg, WeightKg: &cv.Kg, DropsPerMl: above(drops), Adult: !cv.Foal}
	if p := cv.Protocol; p != nil && p.CeilingMlPerKgPerH != nil {
		in.CeilingMlPerKgPerH = new(float64(*p.CeilingMlPerKgPerH))
	}
	return in
}

func hours(min float64) string {
	d := time.Duration(min) * time.Minute
	return fmt.Sprintf("%d h %02d min", int(d.Hours()), int(d.Minutes())%60)
}

func rateWords(r engine.DripResult) *rateResult {
	out := &rateResult{Total: hours(r.TotalMin)}
	for _, s := range r.Stages {
		st := engineStage{From: whole(s.FromMin), To: whole(s.ToMin), PerKg: num(s.MlPerKgPerH), MlPerH: whole(s.MlPerH), Volume: whole(s.VolumeMl)}
		if s.DropsPerMin > 0 {
			st.Drops = whole(s.DropsPerMin)
		}
		out.Stages = append(out.Stages, st)
	}
	var at []string
	for _, min := range r.VitalsAtMin {
		at = append(at, whole(min))
	}
	out.Vitals = strings.Join(at, ", ")
	return out
}

// form accepts the rate plan.
func (m *rateMore) form(v *visit, p *stepPage, in engine.DripInput, r engine.DripResult) (err error) {
	if p.Form, err = v.newForm("plan_accepted", "volume_ml"); err != nil {
		return err
	}
	p.Form.Submit = "Accept this rate"
	p.Form.set("case", p.Case.ID).set("plan", "drip").set("volume_ml", m.VolumeMl)
	p.Form.amend = func(msg proto.Message) {
		plan := msg.(*pb.PlanAccepted)
		plan.PlateauMlPerH = new(int32(*in.PlateauMlPerKgPerH*p.Case.Kg + 0.5))
		plan.DropsPerMl = new(int32(*in.DropsPerMl + 0.5))
		plan.Inputs, plan.Result, plan.Versions = asJSON(in, 8000), asJSON(r, 16000), []string{engine.Version}
	}
	askReasons(v, p, r.Cautions)
	return nil
}

func postRate(v *visit, p *stepPage) (string, error) {
	if p.Form == nil {
		return "", refusal.Conflict("rate", "", "a rate and the set's drops per mL first")
	}
	return postDose(v, p)
}

func prepareHang(v *visit, p *stepPage) error {
	p.Form.Submit = "Checked: on to the start"
	m, err := v.checkOf(p)
	if err != nil {
		return err
	}
	m.HasBaseline = p.Case.hasBaseline()
	if b := p.Case.baseline(); b != nil && b.Baseline {
		m.Baseline = fmt.Sprintf("%s C, heart %s/min, breaths %s/min at %s", tenthsOf(b.TemperatureDc), intOf(b.HeartRate), intOf(b.BreathingRate), p.Case.at(b.Stamp.AtMs))
	}
	m.Card = p.Case.reactionCard()
	return nil
}

func postHang(v *visit, p *stepPage) (string, error) {
	return v.postCheck(p, func(*bagCheck) {})
}

// startMore is what the start page shows.
type startMore struct {
	Bag            *bagView
	MlPerH, Drops  string
	Minutes        string
	Volume         string
	Card           *reactionCard
	RequestID      string
	Gauge, Site    string
	Refusal        string
	Sets           int32
	SetsKnown      bool
	NoBaseline     bool
	slowMlPerH     int32
	People         []option
	CatheterPlaced bool
}

func prepareStart(v *visit, p *stepPage) error {
	cv := p.Case
	m := &startMore{Bag: cv.waiting(), RequestID: newRequestID(), NoBaseline: !cv.hasBaseline(), Card: cv.reactionCard()}
	p.More = m
	m.Gauge, m.Site = v.r.PostForm.Get("gauge"), v.r.PostForm.Get("site")
	for _, k := range cv.C.Catheters {
		m.CatheterPlaced = !k.Removed
	}
	if m.Bag == nil {
		return nil
	}
	if slow, ok := cv.slow(m.Bag); ok {
		m.MlPerH, m.Minutes, m.Volume, m.slowMlPerH = whole(slow.MlPerH), whole(slow.ToMin), num(slow.VolumeMl), int32(slow.MlPerH+0.5)
		if slow.DropsPerMin > 0 {
			m.Drops = whole(slow.DropsPerMin)
		}
	}
	return nil
}

// drip is the accepted rate plan, reckoned again for one bag.
func (cv *caseView) drip(b *bagView) (engine.DripResult, bool) {
	plan := cv.ratePlan()
	if plan == nil || plan.PlateauMlPerH == nil || cv.Kg == 0 || b == nil || b.VolumeMl == 0 {
		return engine.DripResult{}, false
	}
	drops := 0.0
	if plan.DropsPerMl != nil {
		drops = float64(*plan.DropsPerMl)
	}
	in := cv.dripInput(float64(b.VolumeMl), float64(*plan.PlateauMlPerH)/cv.Kg, drops)
	r, err := engine.Drip(in)
	return r, err == nil
}

// slow is the slow start of the plan.
func (cv *caseView) slow(b *bagView) (engine.DripStage, bool) {
	r, ok := cv.drip(b)
	if !ok || len(r.Stages) == 0 {
		return engine.DripStage{}, false
	}
	return r.Stages[0], true
}

// postStart writes what one press means: the set is in and plasma runs slowly.
func postStart(v *visit, p *stepPage) (string, error) {
	m := p.More.(*startMore)
	if m.Bag == nil {
		return "", refusal.Conflict("bag", "", "a bag that waits in this case")
	}
	m.RequestID = v.r.PostForm.Get("request_id")
	if m.Gauge != "" || m.Site != "" {
		cath := &pb.CatheterPlaced{Case: p.Case.ID, Site: m.Site}
		f := specOf("catheter_placed").Message().Fields().ByName("gauge")
		err := (typed.Field{Clock: v.clock(), Desc: f, Rule: event.RuleOf(f), Name: "gauge", Scale: 1}).Put(cath.ProtoReflect(), []string{m.Gauge})
		if err == nil {
			_, err = v.write("-c", "catheter_placed", cath)
		}
		if refused, ok := service.Refusal(err); ok {
			m.Refusal = refused.Error()
			return "", nil
		} else if err != nil {
			return "", err
		}
	}
	if _, err := v.write("-s", "set_attached", &pb.SetAttached{Bag: m.Bag.ID, Case: p.Case.ID}); err != nil {
		return "", m.refused(err)
	}
	out, err := v.write("", "transfusion_started", &pb.TransfusionStarted{Bag: m.Bag.ID, Case: p.Case.ID})
	if err != nil {
		return "", m.refused(err)
	}
	if m.slowMlPerH > 0 {
		if _, err := v.write("-r", "rate_set", &pb.RateSet{Case: p.Case.ID, MlPerH: m.slowMlPerH, SlowStage: true}); err != nil {
			return "", m.refused(err)
		}
	}
	v.saved(out)
	return "/case/" + p.Case.ID + "/run", nil
}

func (m *startMore) refused(err error) error {
	if ref, ok := service.Refusal(err); ok {
		m.Refusal = ref.Error()
		return nil
	}
	return err
}
