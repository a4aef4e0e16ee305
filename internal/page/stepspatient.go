package page

import (
	"math"
	"net/http"
	"strings"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/caution"
	"thawtrail/internal/engine"
	"thawtrail/internal/label"
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
	full, err := req.Site.Audit.GetRecord(req.Context(), &pb.GetRecordRequest{Record: record})
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
