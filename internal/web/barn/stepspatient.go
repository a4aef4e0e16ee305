package barn

import (
	"math"
	"net/http"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/caution"
	"thawtrail/internal/engine"
	"thawtrail/internal/event"
	"thawtrail/internal/label"
	"thawtrail/internal/web/form"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// OpenCase serves the first page of the path: who the patient is.
func OpenCase(req *site.Request) error {
	f, err := form.New(req, "case_opened", "kind", "dam_name", "sex", "colour", "markings", "box", "yard", "born_at", "clock_checked",
		"twin", "neck_band", "gestation_d", "dam_chip", "dam_ueln", "patient_name", "patient_chip", "client")
	if err != nil {
		return err
	}
	f.Input("clock_checked").Hint = words.Say("open.clock", clockNow(req))
	f.Less("neck_band", "gestation_d", "dam_chip", "dam_ueln", "patient_name", "patient_chip", "client").Submit = words.Say("open.submit")
	if saved, err := f.Sent(); err != nil {
		return err
	} else if saved != nil {
		made, err := req.Made(saved, event.KindCase)
		if err != nil {
			return err
		}
		if len(made) == 0 {
			return site.ErrNotFound
		}
		to, err := nextOf(req, made[0])
		if err != nil {
			return err
		}
		return req.Redirect(to)
	}
	return req.Render("open", words.Say("now.new"), "barn", map[string]any{"Form": f})
}

// clockNow is what this machine's clock says, to compare with a watch.
func clockNow(req *site.Request) string {
	c := form.Clock(req)
	return req.Now.In(c.Zone).Format(words.Say("time.clock"))
}

// cautions shows cautions of the engine.
func (p *stepPage) cautions(raised []caution.Raised) {
	p.Cautions = site.Cautions(wording.Cautions(raised))
}

func (p *stepPage) basis(b engine.Basis) {
	p.cautions(b.Cautions)
	p.Sums = &sums{b.Steps, b.Sources, b.Versions}
}

// prepareLook folds away what few have with them in a barn.
func prepareLook(_ *site.Request, p *stepPage) error {
	p.Form.Less("pcv_pm", "lactate_umol_per_l")
	if p.Case.Foal {
		p.Form.Less("total_protein_dg_per_l")
	}
	return nil
}

// prepareAssess shows what the signs say before colostrum.
func prepareAssess(_ *site.Request, p *stepPage) error {
	r, err := p.Case.Assess()
	if err == nil {
		p.basis(r.Basis)
	}
	p.More = map[string]any{"Risk": p.Case.Risky(), "Window": words.Plain(r.ColostrumWindow), "AgeKnown": p.Case.AgeH != nil}
	return nil // an age out of the table's range leaves the page without advice
}

func prepareReferral(_ *site.Request, p *stepPage) error {
	r, err := p.Case.Assess()
	if err != nil {
		r = engine.AssessResult{}
	}
	p.More = r.Because
	p.Form.Submit = words.Say("referral.submit")
	p.Form.Amend = func(m proto.Message) {
		m.(*pb.ReferralOffered).Reasons = r.Because
	}
	return nil
}

// prepareWeigh turns girth and, of an adult, length in the address into a
// weight with its range.
func prepareWeigh(req *site.Request, p *stepPage) error {
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
	more["Result"] = words.Span(r.WeightKg, words.Num, "kg")
	if req.Method == http.MethodGet {
		p.Form.Input("weight_g").Value = words.Num(math.Round(r.WeightKg.Mid*10) / 10)
		p.Form.Input("low_g").Value = words.Num(math.Round(r.WeightKg.Low*10) / 10)
		p.Form.Input("high_g").Value = words.Num(math.Round(r.WeightKg.High*10) / 10)
		p.Form.Input("girth_mm").Value = text
		p.Form.Input("method").Keep([]string{"tape"})
	}
	return nil
}

// prepareBaseline marks the look as the one that alarms compare with.
func prepareBaseline(_ *site.Request, p *stepPage) error {
	p.Form.Preset["baseline"] = "yes"
	return nil
}
