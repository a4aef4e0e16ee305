package barn

import (
	"fmt"
	"math"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/engine"
	"thawtrail/internal/label"
	"thawtrail/internal/refusal"
	"thawtrail/internal/web/caseview"
	"thawtrail/internal/web/form"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// rateMore is what the rate page shows.
type rateMore struct {
	VolumeMl       string
	Missing        bool
	Options        []rateOption
	Plateau, Drops string
	Result         *rateResult
	Refusal        string
	Words          string // the label's own words on the rate
}

type rateOption struct {
	PerKg, MlPerH, Takes string
	Note                 string
	Checked              bool
}

type rateResult struct {
	Sentences []string // what to set, in the order of time
	Stages    []engineStage
	Total     string
	Vitals    string
}

// engineStage is one stage of the drip in words.
type engineStage struct{ From, To, PerKg, MlPerH, Drops, Volume string }

// plateaus are shown to choose from; the last is the cautious ceiling.
func plateaus() []plateau {
	return []plateau{{5, words.Say("rate.slow")}, {10, words.Say("rate.half")}, {20, words.Say("rate.ceiling")}}
}

// plateau is a rate after the slow start, and what it is.
type plateau struct {
	perKg float64
	note  string
}

func prepareRate(req *site.Request, p *stepPage) error {
	cv := p.Case
	m := &rateMore{}
	p.More = m
	b := cv.Open()
	if cv.Kg == 0 || b == nil || b.VolumeMl == 0 {
		m.Missing = true
		return nil
	}
	if b.Card != nil {
		m.Words = b.Card.Rate
	}
	q := req.URL.Query()
	m.VolumeMl, m.Plateau, m.Drops = fmt.Sprint(cv.AcceptedMl(b)), q.Get("plateau"), q.Get("drops")
	for _, o := range plateaus() {
		in := cv.DripInput(b, float64(cv.AcceptedMl(b)), o.perKg, 0)
		if r, err := engine.Drip(in); err == nil {
			m.Options = append(m.Options, rateOption{PerKg: words.Num(o.perKg), MlPerH: words.Whole(o.perKg * cv.Kg), Takes: hours(r.TotalMin), Note: o.note, Checked: words.Num(o.perKg) == m.Plateau})
		}
	}
	if m.Plateau == "" || m.Drops == "" {
		return nil
	}
	in, err := m.drip(cv, b)
	if err == nil {
		var r engine.DripResult
		if r, err = engine.Drip(in); err == nil {
			p.basis(r.Basis)
			m.Result = rateWords(r)
			return m.form(req, p, in, r)
		}
	}
	m.Refusal = err.Error()
	return nil
}

// drip reads plateau and drop factor as typed.
func (m *rateMore) drip(cv *caseview.View, b *caseview.Bag) (engine.DripInput, error) {
	perKg, err := label.ParseDecimal("plateau", m.Plateau)
	if err != nil {
		return engine.DripInput{}, err
	}
	drops, err := label.ParseDecimal("drops_per_ml", m.Drops)
	return cv.DripInput(b, float64(cv.AcceptedMl(b)), perKg, drops), err
}

func hours(min float64) string {
	d := time.Duration(min) * time.Minute
	return words.Say("time.long", int(d.Hours()), fmt.Sprintf("%02d", int(d.Minutes())%60))
}

func rateWords(r engine.DripResult) *rateResult {
	out := &rateResult{Total: hours(r.TotalMin)}
	for _, s := range r.Stages {
		st := engineStage{From: words.Whole(s.FromMin), To: words.Whole(s.ToMin), PerKg: words.Num(s.MlPerKgPerH), MlPerH: words.Whole(s.MlPerH), Volume: words.Whole(s.VolumeMl)}
		if s.DropsPerMin > 0 {
			st.Drops = words.Whole(s.DropsPerMin)
		}
		out.Stages = append(out.Stages, st)
	}
	out.Sentences = rateSentences(r)
	var at []string
	for _, min := range r.VitalsAtMin {
		at = append(at, words.Whole(min))
	}
	out.Vitals = strings.Join(at, ", ")
	return out
}

// rateSentences say what to set: drops while they can be counted by eye, mL an hour and
// the mL marks after that.
func rateSentences(r engine.DripResult) (out []string) {
	last := len(r.Stages) - 1
	for i, s := range r.Stages {
		key := "rate.then"
		if i == 0 {
			key = "rate.first"
		}
		text := words.Say(key, words.Whole(s.ToMin-s.FromMin), pace(s))
		if i < last {
			text += ";"
		} else {
			text += "."
		}
		out = append(out, text)
	}
	return out
}

// pace is how fast a stage runs.
func pace(s engine.DripStage) string {
	if engine.Countable(s.DropsPerMin) {
		return words.Say("rate.by_drops", words.Whole(s.DropsPerMin), words.Whole(s.MlPerH))
	}
	return words.Say("rate.by_marks", words.Whole(s.MlPerH))
}

// form accepts the rate plan.
func (m *rateMore) form(req *site.Request, p *stepPage, in engine.DripInput, r engine.DripResult) (err error) {
	if p.Form, err = form.New(req, "plan_accepted", "volume_ml"); err != nil {
		return err
	}
	p.Form.Submit = words.Say("rate.submit")
	p.Form.Set("case", p.Case.ID).Set("plan", "drip").Set("volume_ml", m.VolumeMl)
	p.Form.Amend = func(msg proto.Message) {
		plan := msg.(*pb.PlanAccepted)
		plan.PlateauMlPerH = new(int32(*in.PlateauMlPerKgPerH*p.Case.Kg + 0.5))
		plan.DropsPerMl = new(int32(*in.DropsPerMl + 0.5))
		plan.Inputs, plan.Result, plan.Versions = asJSON(in, 8000), asJSON(r, 16000), []string{engine.Version}
	}
	askReasons(req, p, r.Cautions)
	return nil
}

func postRate(req *site.Request, p *stepPage) (string, error) {
	if p.Form == nil {
		return "", refusal.Conflict("rate", "", words.Say("rate.wanted"))
	}
	return postDose(req, p)
}

// proteinMore asks how much plasma an adult with low protein would need.
type proteinMore struct {
	Now, NowAt, Target, Donor string // g/L, as typed or as measured
	Missing                   bool   // a weight comes first
	Asked                     bool   // all three numbers are there
	Refusal                   string
	Volume, PerKg             string
	Need                      int // mL, the middle of the range
}

// readProtein takes the numbers of the sum from the address, and the present one
// from the last look when the address has none. Target and donor have no default.
func readProtein(req *site.Request, cv *caseview.View) *proteinMore {
	q := req.URL.Query()
	m := &proteinMore{Now: q.Get("tp"), Target: q.Get("target_tp"), Donor: q.Get("donor_tp")}
	if e := cv.C.Protein(false); e != nil && m.Now == "" {
		m.NowAt = cv.At(e.Stamp.AtMs)
		m.Now = words.Tenths(*e.ProteinDgPerL)
	}
	m.Asked = m.Now != "" && m.Target != "" && m.Donor != ""
	return m
}

// Hint says when the present number was measured.
func (m *proteinMore) Hint() string {
	if m.NowAt == "" {
		return ""
	}
	return words.Say("protein.now_hint", m.NowAt)
}

// reckon lets the engine do the sum.
func (m *proteinMore) reckon(cv *caseview.View, p *stepPage) (in engine.ProteinInput, r engine.ProteinResult, ok bool) {
	in.WeightKg = cv.Kg
	var err error
	for _, f := range []struct {
		name, text string
		to         *float64
	}{{"tp_g_per_l", m.Now, &in.TPGPerL}, {"target_tp_g_per_l", m.Target, &in.TargetTPGPerL}, {"donor_tp_g_per_l", m.Donor, &in.DonorTPGPerL}} {
		if *f.to, err = label.ParseDecimal(f.name, f.text); err != nil {
			m.Refusal = err.Error()
			return in, r, false
		}
	}
	if r, err = engine.Protein(in); err != nil {
		m.Refusal = err.Error()
		return in, r, false
	}
	p.basis(r.Basis)
	m.Volume, m.PerKg = words.Span(r.VolumeMl, words.Whole, "mL"), words.Span(r.VolumeMlPerKg, words.Tenth, "mL/kg")
	m.Need = int(math.Round(r.VolumeMl.Mid))
	return in, r, true
}

// prepareProtein serves the sum; the bags are chosen on the dose page.
func prepareProtein(req *site.Request, p *stepPage) error {
	m := readProtein(req, p.Case)
	p.More = m
	if m.Missing = p.Case.Kg == 0; m.Missing || !m.Asked {
		return nil
	}
	m.reckon(p.Case, p)
	return nil
}

func prepareProteinRecheck(_ *site.Request, p *stepPage) error {
	cv := p.Case
	m := &recheckMore{Protein: true, Before: caseview.ProteinText(cv.C.Protein(false)), After: caseview.ProteinText(cv.C.Protein(true))}
	p.More = m
	return recheckPlan(cv, &m.Due, &m.Person)
}
