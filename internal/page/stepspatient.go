package page

import (
	"fmt"
	"math"
	"net/http"
	"strings"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/caution"
	"thawtrail/internal/engine"
	"thawtrail/internal/label"
	"thawtrail/internal/ledger"
	"thawtrail/internal/service"
	pb "thawtrail/proto/thawtrail/v1"
)

// openCase serves the first page of the path: who the patient is.
func openCase(req *Request) error {
	f, err := req.newForm("case_opened", "kind", "dam_name", "sex", "colour", "markings", "box", "yard", "born_at", "clock_checked",
		"twin", "neck_band", "gestation_d", "dam_chip", "dam_ueln", "patient_name", "patient_chip", "client")
	if err != nil {
		return err
	}
	f.less("neck_band", "gestation_d", "dam_chip", "dam_ueln", "patient_name", "patient_chip", "client").Submit = say("open.submit")
	if req.Method == http.MethodPost {
		out, ok, err := f.post()
		if err != nil {
			return err
		}
		if ok {
			req.saved(out)
			id, err := caseMade(req, out.Made, out.Record)
			if err != nil {
				return err
			}
			to, err := nextOf(req, id)
			if err != nil {
				return err
			}
			return req.redirect(to)
		}
		req.Code = http.StatusUnprocessableEntity
	}
	return req.render("open", say("now.new"), "barn", map[string]any{"Form": f, "Clock": clockNow(req)})
}

// caseMade is the case that an opening made, also when it was sent twice.
func caseMade(req *Request, made []string, record string) (string, error) {
	if len(made) > 0 {
		return made[0], nil
	}
	full, err := req.Site.Audit.GetRecord(req.Context(), recordRequest(record))
	if err != nil {
		return "", err
	}
	for _, e := range full.Entities {
		if id, ok := strings.CutPrefix(e, "case/"); ok {
			return id, nil
		}
	}
	return "", ErrNotFound
}

// clockNow is what this machine's clock says, to compare with a watch.
func clockNow(req *Request) string {
	c := req.clock()
	return req.Now.In(c.Zone).Format(say("time.clock"))
}

// caution shows cautions of the engine: at most three, the gravest first.
func (p *stepPage) cautions(raised []caution.Raised) {
	p.Cautions, p.MoreCautions = first3(cautionViews(service.Cautions(raised)))
}

func (p *stepPage) basis(b engine.Basis) {
	p.cautions(b.Cautions)
	p.Sums = &sums{b.Steps, b.Sources, b.Versions}
}

// prepareAssess shows what the signs say before colostrum.
func prepareAssess(_ *Request, p *stepPage) error {
	r, err := p.Case.assess()
	if err == nil {
		p.basis(r.Basis)
	}
	p.More = map[string]any{"Risk": p.Case.risky(), "Window": plain(r.ColostrumWindow), "AgeKnown": p.Case.AgeH != nil}
	return nil // an age out of the table's range leaves the page without advice
}

func prepareReferral(_ *Request, p *stepPage) error {
	r, err := p.Case.assess()
	if err != nil {
		r = engine.AssessResult{}
	}
	p.More = r.Because
	p.Form.Submit = say("referral.submit")
	p.Form.amend = func(m proto.Message) {
		m.(*pb.ReferralOffered).Reasons = r.Because
	}
	return nil
}

// prepareWeigh turns girth and, of a grown patient, length in the address into a
// weight with its range.
func prepareWeigh(req *Request, p *stepPage) error {
	text, length := req.URL.Query().Get("girth"), req.URL.Query().Get("length")
	more := map[string]any{"Girth": text, "Length": length}
	p.More = more
	if text == "" {
		return nil
	}
	cm, err := label.ParseDecimal("girth_cm", text)
	if err != nil {
		more["Error"] = err.Error()
		return nil
	}
	in := engine.WeighInput{Kind: engine.WeighFoal, GirthCm: cm, AgeH: p.Case.AgeH}
	if !p.Case.Foal {
		in.Kind = engine.WeighAdult
		if length != "" {
			long, err := label.ParseDecimal("length_cm", length)
			if err != nil {
				more["Error"] = err.Error()
				return nil
			}
			in.LengthCm = &long
		}
	}
	r, err := engine.Weigh(in)
	if err != nil {
		more["Error"] = err.Error()
		return nil
	}
	p.basis(r.Basis)
	more["Result"] = span(r.WeightKg, num, "kg")
	if req.Method == http.MethodGet {
		p.Form.input("weight_g").Value = num(math.Round(r.WeightKg.Mid*10) / 10)
		p.Form.input("low_g").Value = num(math.Round(r.WeightKg.Low*10) / 10)
		p.Form.input("high_g").Value = num(math.Round(r.WeightKg.High*10) / 10)
		p.Form.input("girth_mm").Value = text
		p.Form.input("method").keep([]string{"tape"})
	}
	return nil
}

// prepareBaseline marks the look as the one that alarms compare with.
func prepareBaseline(_ *Request, p *stepPage) error {
	p.Form.preset["baseline"] = "yes"
	return nil
}

// vitalsRow is one look at the patient as tables show it.
type vitalsRow struct {
	At, Temp, Heart, Breaths, Given, Text string
	Change                                string
	Baseline, Alarm                       bool
}

// vitals are the looks with their change from the patient's own baseline, the
// newest first.
func (cv *View) vitals() (rows []vitalsRow, alarm string) {
	base := cv.baseline()
	for i := range cv.C.Vitals {
		x := &cv.C.Vitals[i]
		row := vitalsRow{
			At: cv.at(x.Stamp.AtMs), Temp: tenthsOf(x.TemperatureDc), Heart: intOf(x.HeartRate), Breaths: intOf(x.BreathingRate),
			Given: intOf(x.GivenMl), Text: x.Text, Baseline: x == base,
		}
		if base != nil && x != base {
			row.Change, row.Alarm = cv.change(base.TemperatureDc, x.TemperatureDc, base.HeartRate, x.HeartRate, base.BreathingRate, x.BreathingRate)
		}
		if row.Alarm {
			alarm = row.Change
		} else if row.Change != "" {
			alarm = ""
		}
		rows = append([]vitalsRow{row}, rows...)
	}
	return rows, alarm
}

// Rises over the patient's own baseline that raise an alarm where the practice's
// protocol says nothing: 1 C as for febrile reactions (Rubio-Martinez &
// Hendrickson (eds), Complications in Equine Surgery, ch. 6); the rates are ours.
const (
	riseTempDc  = 10
	riseHeart   = 20
	riseBreaths = 15
)

// change tells the change from the baseline, with the word ALARM where a limit of
// the practice is passed.
func (cv *View) change(t0, t, h0, h, b0, b *int32) (text string, alarm bool) {
	heart, breaths := int32(riseHeart), int32(riseBreaths)
	if p := cv.Protocol; p != nil {
		if p.HeartRateRise != nil {
			heart = *p.HeartRateRise
		}
		if p.BreathingRateRise != nil {
			breaths = *p.BreathingRateRise
		}
	}
	var parts []string
	add := func(key string, from, to *int32, limit int32, scale float64) {
		if from == nil || to == nil {
			return
		}
		d := *to - *from
		part := say(key, fmt.Sprintf("%+g", float64(d)/scale))
		if d >= limit {
			alarm = true
			part = say("vitals.alarm", part)
		}
		parts = append(parts, part)
	}
	add("vitals.temperature", t0, t, riseTempDc, 10)
	add("vitals.heart", h0, h, heart, 1)
	add("vitals.breaths", b0, b, breaths, 1)
	return strings.Join(parts, ", "), alarm
}

// baseline is the look that alarms compare with: the last one marked so before
// plasma, else the first of all.
func (cv *View) baseline() *ledger.Vitals {
	var marked *ledger.Vitals
	for i := range cv.C.Vitals {
		if cv.C.Vitals[i].Baseline {
			marked = &cv.C.Vitals[i]
		}
	}
	if marked == nil && len(cv.C.Vitals) > 0 {
		marked = &cv.C.Vitals[0]
	}
	return marked
}
