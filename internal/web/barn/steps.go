package barn

import (
	"net/http"

	"thawtrail/internal/web/caseview"
	"thawtrail/internal/web/form"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
)

// stepPage is what the page of a step shows beside its form.
type stepPage struct {
	Case  *caseview.View
	Slug  string
	Title string
	Form  *form.Form
	More  any // what this step's own template needs

	Cautions []*site.Caution // the gravest first
	Sums     *sums           // arithmetic to unfold
}

// sums is the arithmetic of a plan with its sources, to check on paper.
type sums struct{ Steps, Sources, Versions []string }

// Step is one page of the path. It prepares the page; a POST goes to its form
// unless the step has a post of its own.
type Step struct {
	// event and fields make the form; none when the step has no plain form.
	event  string
	fields []string
	want   []string // fields that this page asks for although the contract does not
	// prepare adds to the page.
	prepare func(req *site.Request, p *stepPage) error
	// post replaces the plain way of saving; it says where to go, or nothing to
	// show the page again.
	post func(req *site.Request, p *stepPage) (to string, err error)
	// next is where the path goes on; empty: the one obvious next step.
	next     string
	Template string // "step" when empty
	// Adult replaces the step for a patient that is no foal.
	Adult *Step
}

// CaseSteps are the pages of a case by slug.
var CaseSteps map[string]*Step

func init() {
	CaseSteps = map[string]*Step{
		"risk": {event: "risk_asked", Template: "risk", next: "colostrum",
			fields: []string{"jaundiced_foal_before", "positive_screen", "donkey_sire", "yellow_or_red_urine"}},
		"colostrum": {event: "colostrum_given", Template: "colostrum", prepare: prepareAssess,
			fields: []string{"source", "volume_ml", "brix_d", "specific_gravity_e3", "route", "udder_running_milk"}},
		"look": {event: "patient_examined", Template: "look", prepare: prepareLook,
			fields: []string{"signs", "temperature_dc", "heart_rate", "breathing_rate", "glucose_umol_per_l", "text", "pcv_pm", "lactate_umol_per_l", "total_protein_dg_per_l"},
			Adult: &Step{event: "patient_examined", Template: "look", prepare: prepareLook,
				fields: []string{"temperature_dc", "heart_rate", "breathing_rate", "total_protein_dg_per_l", "text", "pcv_pm", "lactate_umol_per_l"}}},
		"referral": {event: "referral_offered", Template: "referral", prepare: prepareReferral,
			fields: []string{"answer", "by"}},
		"weigh": {event: "patient_weighed", Template: "weigh", prepare: prepareWeigh,
			fields: []string{"weight_g", "method", "low_g", "high_g", "girth_mm"}},
		"igg": {event: "igg_tested", Template: "igg",
			fields: []string{"kind", "igg_cg_per_l", "band_low_cg_per_l", "band_high_cg_per_l", "cut_cg_per_l", "side", "never_sucked", "sampled_at"}},
		"protein": {Template: "protein", prepare: prepareProtein},
		"dose":    {Template: "dose", prepare: prepareDose, post: postDose},
		"agree":   {event: "estimate_agreed", Template: "agree", fields: []string{"amount_minor", "unused_bag_minor", "by", "how"}},
		"bath": {event: "bath_checked", Template: "bath", prepare: prepareBath, post: postBath, next: "thaw",
			fields: []string{"bag", "batch_and_expiry_match", "label_read", "bag_whole", "no_hold_known", "igg_known_or_waived", "agreement_given", "text"}},
		"thaw": {Template: "thaw", prepare: prepareThaw, post: postThaw},
		"baseline": {event: "vitals_noted", Template: "baseline", prepare: prepareBaseline,
			fields: []string{"temperature_dc", "heart_rate", "breathing_rate", "text"}, want: []string{"heart_rate", "breathing_rate", "temperature_dc"}},
		"torn": {event: "label_unreadable", Template: "torn", prepare: prepareTorn, post: postTorn, fields: []string{"bag", "bag_again", "second_by", "text"}},
		"rate": {Template: "rate", prepare: prepareRate, post: postRate},
		"hang": {event: "hang_checked", Template: "hang", prepare: prepareHang, post: postHang, next: "start",
			fields: []string{"bag", "patient_confirmed", "same_bag", "fully_thawed", "clear_no_clots", "whole_when_squeezed", "bag_dc", "filtered_set", "spare_set", "reaction_card_in_reach", "baseline_vitals", "text"}},
		"start":    {Template: "start", prepare: prepareStart, post: postStart},
		"share":    {event: "transfusion_started", Template: "share", fields: []string{"bag"}, prepare: prepareShare, post: postShare},
		"run":      {event: "vitals_noted", Template: "run", prepare: prepareRun, next: "run", fields: []string{"temperature_dc", "heart_rate", "breathing_rate", "given_ml", "text"}},
		"slower":   {Template: "slower", prepare: prepareSlower, post: postSlower},
		"clamp":    {Template: "clamp", post: postClamp, prepare: prepareRun},
		"treat":    {Template: "treat", prepare: prepareTreat, post: postTreat},
		"drug":     {event: "drug_given", next: "treat"},
		"reaction": {event: "reaction_noted", next: "treat", fields: []string{"signs", "grave"}},
		"finish":   {Template: "finish", prepare: prepareFinish, post: postFinish, next: ""},
		"rest":     {Template: "rest", prepare: prepareRest, post: postRest},
		"handover": {event: "handed_over", Template: "handover", prepare: prepareHandover, next: "handover",
			fields: []string{"to_person", "given_ml", "ml_per_h", "reaction_seen", "next_vitals_at", "sitter"}},
		"after": {event: "recheck_planned", Template: "after", prepare: prepareAfter, fields: []string{"person", "due_at"}},
		"recheck": {event: "igg_rechecked", Template: "recheck", next: "recheck", prepare: prepareRecheck, fields: []string{"kind", "igg_cg_per_l", "band_low_cg_per_l", "band_high_cg_per_l", "sampled_at"},
			Adult: &Step{event: "patient_examined", Template: "recheck", next: "recheck", prepare: prepareProteinRecheck, want: []string{"total_protein_dg_per_l"},
				fields: []string{"total_protein_dg_per_l", "temperature_dc", "heart_rate", "breathing_rate", "text"}}},
		"close":   {event: "case_closed", Template: "step", fields: []string{"outcome", "reason"}},
		"patient": {Template: "patient"},
		"sheet":   {Template: "sheet", prepare: prepareSheet},
		"advice":  {Template: "advice", prepare: prepareAdvice},
		"report":  {Template: "report", prepare: prepareReport},
		"later":   {Template: "later", prepare: prepareLater},
	}
}

// ShowStep serves GET and POST of a step.
func ShowStep(req *site.Request) error {
	slug := req.PathValue("step")
	st, ok := CaseSteps[slug]
	if !ok {
		return site.ErrNotFound
	}
	cv, err := caseview.Of(req, req.PathValue("case"))
	if err != nil {
		return err
	}
	p := &stepPage{Case: cv, Slug: slug, Title: words.Say("title." + slug)}
	if st.Adult != nil && !cv.Foal {
		st = st.Adult
		if titles := words.List("title." + slug + "_adult"); len(titles) > 0 {
			p.Title = titles[0]
		}
	}
	if st.event != "" {
		if p.Form, err = form.New(req, st.event, st.fields...); err != nil {
			return err
		}
		p.Form.Set("case", cv.ID).Want(st.want...)
	}
	if st.prepare != nil {
		if err := st.prepare(req, p); err != nil {
			return err
		}
	}
	if req.Method == http.MethodPost {
		to, err := postStep(req, st, p)
		if err != nil {
			return err
		}
		if to != "" {
			return req.Redirect(to)
		}
		req.Code = http.StatusUnprocessableEntity
	}
	tmpl := st.Template
	if tmpl == "" {
		tmpl = "step"
	}
	return req.RenderCase(tmpl, p.Title+", "+cv.Patient.Line, "barn", &cv.Header, p)
}

// postStep saves and says where to go, or nothing to show the page again.
func postStep(req *site.Request, st *Step, p *stepPage) (string, error) {
	if st.post != nil {
		return st.post(req, p)
	}
	if p.Form == nil {
		return "", site.ErrNotFound
	}
	if saved, err := p.Form.Post(); err != nil || saved == nil {
		return "", err
	}
	return onward(req, st, p)
}

// onward is the next page of the path.
func onward(req *site.Request, st *Step, p *stepPage) (string, error) {
	if p.Form != nil && p.Form.Later {
		return "/case/" + p.Case.ID + "/later", nil
	}
	if st.next != "" {
		return "/case/" + p.Case.ID + "/" + st.next, nil
	}
	return nextOf(req, p.Case.ID)
}

// nextOf reads the case again and goes to its next step.
func nextOf(req *site.Request, id string) (string, error) {
	cv, err := caseview.Of(req, id)
	if err != nil {
		return "", err
	}
	return cv.Next.Href(id), nil
}
