package barn

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/engine"
	"thawtrail/internal/query"
	"thawtrail/internal/web/caseview"
	"thawtrail/internal/web/form"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// runMore is the running sheet.
type runMore struct {
	Bag                      *caseview.Bag
	Nth, Of                  int // which bag of the plan it is; 0: none of it
	StartedMs                int64
	Started                  string
	SlowEndMs                int64
	SlowEnd                  string
	Slow                     bool // the slow start is not over
	RateMlPerH               int32
	Clamped                  bool
	Drops                    string // wanted drops/min of this stage
	DropsPerMl               string
	PlanMl, GivenMl, GivenAt string
	Behind                   string // given against the plan in words
	LeftMl                   string
	StopAtMl                 int32 // where a part of the bag is meant
	StopMs                   int64 // when the plan is there
	Marks                    []markRow
	VitalsDueMs              int64
	VitalsDue                string
	Vitals                   []caseview.VitalsRow
	Signs                    []caseview.SignFact // each sign as last measured
	Alarm                    string              // the alarms of vitals that stand
	AlarmShort               string              // the same as changes alone
	AlarmMs                  int64               // since when
	AlarmAt                  string
	PlateauMlPerH            int32
	PlateauPerKg             string
	StepUpNow                bool // the slow start is over, vitals are noted, the rate is still slow
	StepUpWaits              string
	SetChangeMs              int64
	SetChange                string
	RequestID                string
	Waiting                  *caseview.Bag // a next bag to prepare
	Kg                       string
	RateForm                 *form.Form
	Holder                   string // which laptop has the case, once it was taken over
	Elsewhere                bool   // another one than this: it watches
	For                      string // whom an alarm is about, where several are on one page
}

type markRow struct {
	AtMs  int64
	At    string
	Given string
	Left  string
	Past  bool
}

// setHours is how long one set is used (ours, on the cautious side of the bag's
// four hours after it was entered).
const setHours = 4 * time.Hour

func prepareRun(req *site.Request, p *stepPage) (err error) {
	cv := p.Case
	m := &runMore{RequestID: site.NewRequestID(), Waiting: cv.Waiting(), Kg: words.Num(cv.Kg)}
	p.More = m
	if m.RateForm, err = form.New(req, "rate_set", "ml_per_h", "drops_per_min"); err != nil {
		return err
	}
	m.RateForm.ID = "rate"
	m.RateForm.Action = "/case/" + cv.ID + "/slower"
	b := cv.Open()
	if b == nil || b.T == nil || !b.T.Running {
		return nil
	}
	m.Bag = b
	start := time.UnixMilli(b.T.FirstMs()).In(cv.Zone)
	m.StartedMs, m.Started = start.UnixMilli(), start.Format("15:04")
	change := start.Add(setHours)
	m.SetChangeMs, m.SetChange = change.UnixMilli(), change.Format("15:04")
	m.Vitals = cv.Vitals()
	m.signs(req, p)
	if plan := cv.DosePlan(); plan != nil {
		m.Nth, m.Of = slices.Index(plan.Bags, b.ID)+1, len(plan.Bags)
	}
	if accepted := cv.AcceptedMl(b); accepted < b.FullMl() {
		m.StopAtMl = accepted
	}
	m.rates(cv, b)
	m.due(cv)
	if err := m.holder(cv); err != nil {
		return err
	}
	m.against(cv, b, start)
	if p.Form != nil {
		p.Form.Submit = words.Say("run.submit")
		p.Form.Less("text")
		given := p.Form.Input("given_ml")
		given.Label, given.Hint = words.Say("run.given_now"), ""
		if m.PlanMl != "" {
			given.Beside = words.Say("run.by_plan", m.PlanMl)
		}
	}
	return nil
}

// signs shows each sign as last measured, in the facts and beside its field, and the
// alarms that stand: with one, what was saved is told below the numbers.
func (m *runMore) signs(req *site.Request, p *stepPage) {
	cv := p.Case
	m.Signs = cv.Signs()
	m.Alarm, m.AlarmMs = cv.Alarm()
	if m.Alarm != "" {
		m.AlarmShort, m.AlarmAt = cv.AlarmShort(), time.UnixMilli(m.AlarmMs).In(cv.Zone).Format("15:04")
		req.FlashBelow = p.Slug == "run"
	}
	if p.Form != nil {
		lastBeside(p.Form, m.Signs)
	}
}

// lastBeside names the fields of vitals as the facts name their signs, and sets the last
// values beside them: a measured value is never filled in.
func lastBeside(f *form.Form, signs []caseview.SignFact) {
	for _, s := range signs {
		in := f.Input(s.Field)
		in.Label = s.Name
		if s.Value != "" {
			in.Beside = words.Say("run.last", s.Value)
		}
	}
}

// rates finds the rate that is set, and what the plan says to set.
func (m *runMore) rates(cv *caseview.View, b *caseview.Bag) {
	for _, r := range cv.C.Rates {
		if r.Bag == "" || r.Bag == b.ID {
			m.RateMlPerH, m.Slow = r.MlPerH, r.SlowStage
		}
	}
	m.Clamped = cv.C.Clamped
	plan := cv.RatePlan()
	r, ok := cv.Drip(b)
	if !ok {
		return
	}
	m.PlateauMlPerH, m.PlateauPerKg = *plan.PlateauMlPerH, words.Num(r.PlateauMlPerKgPerH)
	if plan.DropsPerMl != nil {
		m.DropsPerMl = strconv.Itoa(int(*plan.DropsPerMl))
		m.Drops = words.Whole(float64(m.RateMlPerH) / 60 * float64(*plan.DropsPerMl))
	}
	start := time.UnixMilli(m.StartedMs)
	slowEnd := start.Add(time.Duration(r.Stages[0].ToMin * float64(time.Minute))).In(cv.Zone)
	m.SlowEndMs, m.SlowEnd = slowEnd.UnixMilli(), slowEnd.Format("15:04")
	if m.StopAtMl > 0 {
		m.StopMs = start.Add(time.Duration(r.TotalMin * float64(time.Minute))).UnixMilli()
	}
	for _, k := range r.Marks {
		at := start.Add(time.Duration(k.AtMin * float64(time.Minute))).In(cv.Zone)
		m.Marks = append(m.Marks, markRow{at.UnixMilli(), at.Format("15:04"), words.Whole(k.GivenMl), words.Whole(k.LeftMl), !at.After(cv.Now)})
	}
	m.stepUp(cv, slowEnd)
}

// stepUp allows the plateau when the slow start is over, no alarm stands and a complete
// set was noted since the last step, and lately.
func (m *runMore) stepUp(cv *caseview.View, slowEnd time.Time) {
	if !m.Slow {
		return
	}
	switch {
	case len(cv.StepUp.Standing) > 0:
		m.StepUpWaits = words.Say("run.alarm_first")
	case cv.Now.Before(slowEnd):
		m.StepUpWaits = words.Say("run.slow_until", m.SlowEnd)
	case len(cv.StepUp.Missing) > 0:
		m.StepUpWaits = words.Say("run.vitals_first")
	default:
		m.StepUpNow = !cv.C.Clamped
	}
}

// due is when the next vitals are due.
func (m *runMore) due(cv *caseview.View) {
	due := time.UnixMilli(query.NextVitals(cv.C)).In(cv.Zone)
	m.VitalsDueMs, m.VitalsDue = due.UnixMilli(), due.Format("15:04")
}

// holder says which laptop has the case, and how far what stands here is from a
// code.
func (m *runMore) holder(cv *caseview.View) error {
	if len(cv.C.Adoptions) == 0 {
		return nil
	}
	a := cv.C.Adoptions[len(cv.C.Adoptions)-1]
	return cv.Read(func(l *query.ReadView) error {
		laptop := ""
		laptop, m.Elsewhere = l.Holder(cv.C)
		switch {
		case m.Elsewhere:
			m.Holder = words.Say("adopt.elsewhere", laptop, cv.At(a.Stamp.AtMs))
		case cv.ByCode(m.Bag) && !cv.C.HasBaseline():
			m.Holder = words.Say("adopt.here_by_code_alone", cv.At(a.Stamp.AtMs))
		case cv.ByCode(m.Bag):
			m.Holder = words.Say("adopt.here_by_code", cv.At(a.Stamp.AtMs))
		default:
			m.Holder = words.Say("adopt.here", cv.At(a.Stamp.AtMs))
		}
		return nil
	})
}

// against compares what was given with the plan at the moment it was read.
func (m *runMore) against(cv *caseview.View, b *caseview.Bag, start time.Time) {
	var at time.Time
	ml := int32(-1)
	for _, x := range cv.C.Vitals {
		if x.GivenMl != nil && x.Stamp.AtMs >= start.UnixMilli() {
			ml, at = *x.GivenMl, time.UnixMilli(x.Stamp.AtMs).In(cv.Zone)
		}
	}
	for _, x := range cv.C.Flows {
		if x.GivenMl != nil && x.Stamp.AtMs > at.UnixMilli() && (x.Bag == b.ID || x.Bag == "") {
			ml, at = *x.GivenMl, time.UnixMilli(x.Stamp.AtMs).In(cv.Zone)
		}
	}
	if told := cv.C.LastTold(); told != nil && told.Bag == b.ID && told.GivenMl != nil && told.ReadMs > at.UnixMilli() {
		ml, at = *told.GivenMl, time.UnixMilli(told.ReadMs).In(cv.Zone)
	}
	r, ok := cv.Drip(b)
	if ok {
		m.PlanMl = words.Whole(plannedMl(r, cv.Now.Sub(start).Minutes()))
	}
	if ml < 0 {
		return
	}
	m.GivenMl, m.GivenAt, m.LeftMl = fmt.Sprint(ml), at.Format("15:04"), ""
	if accepted := cv.AcceptedMl(b); accepted > 0 {
		m.LeftMl = fmt.Sprint(max(0, accepted-ml))
	}
	if !ok {
		return
	}
	planned := plannedMl(r, at.Sub(start).Minutes())
	switch d := float64(ml) - planned; {
	case d > 25 && d > planned/4:
		m.Behind = words.Say("run.faster", words.Whole(d), cv.Word)
	case d < -25 && -d > planned/4:
		m.Behind = words.Say("run.behind", words.Whole(-d))
	default:
		m.Behind = words.Say("run.close")
	}
}

// plannedMl is what the plan has given after some minutes.
func plannedMl(r engine.DripResult, minutes float64) float64 {
	sum := 0.0
	for _, s := range r.Stages {
		if minutes <= s.FromMin || s.ToMin <= s.FromMin {
			continue
		}
		sum += s.VolumeMl * (min(minutes, s.ToMin) - s.FromMin) / (s.ToMin - s.FromMin)
	}
	return sum
}

// slowerMore offers rates below the one that is set.
type slowerMore struct {
	Now      int32
	Options  []site.Option
	RateForm *form.Form
}

func prepareSlower(req *site.Request, p *stepPage) (err error) {
	m := &slowerMore{}
	p.More = m
	for _, r := range p.Case.C.Rates {
		m.Now = r.MlPerH
	}
	if m.Now > 1 {
		m.Options = append(m.Options, site.Option{Value: fmt.Sprint(m.Now / 2), Label: words.Say("slower.half", m.Now/2)})
	}
	if b := p.Case.Open(); b != nil {
		if slow, ok := p.Case.Slow(b); ok && int32(slow.MlPerH) < m.Now {
			m.Options = append(m.Options, site.Option{Value: words.Whole(slow.MlPerH), Label: words.Say("slower.as_slow", words.Whole(slow.MlPerH))})
		}
	}
	if m.RateForm, err = form.New(req, "rate_set", "ml_per_h", "drops_per_min"); err != nil {
		return err
	}
	m.RateForm.Set("case", p.Case.ID)
	m.RateForm.Submit = words.Say("run.note_rate")
	slow := req.PostForm.Get("slow") == "yes"
	if slow { // asked for a reason, it is sent again
		m.RateForm.Carry = map[string]string{"slow": "yes"}
	}
	m.RateForm.Amend = func(msg proto.Message) { msg.(*pb.RateSet).SlowStage = slow }
	return nil
}

// postSlower notes a rate: slower, the plateau, or what drops against the clock
// gave.
func postSlower(req *site.Request, p *stepPage) (string, error) {
	m := p.More.(*slowerMore)
	return m.RateForm.PostTo("/case/" + p.Case.ID + "/run")
}

// postClamp notes the clamp shut, or open again.
func postClamp(req *site.Request, p *stepPage) (string, error) {
	name, to := "clamped", "/clamp"
	if req.PostForm.Get("do") == "resume" {
		if req.Locked { // what locks nothing stops; going on is a person's decision
			return "/locked", nil
		}
		name, to = "resumed", "/run"
	}
	out, err := form.Write(req, "", name, &pb.FlowChanged{Case: p.Case.ID, Reason: req.PostForm.Get("reason"), GivenMl: wholeTyped(req.PostForm.Get("given_ml"))})
	if err != nil {
		return "", refused(req, err)
	}
	req.Saved(out)
	return "/case/" + p.Case.ID + to, nil
}

// wholeTyped reads a whole number, or nothing.
func wholeTyped(text string) *int32 {
	n, err := strconv.ParseInt(strings.TrimSpace(text), 10, 32)
	if err != nil {
		return nil
	}
	return new(int32(n))
}

// finishMore ends a bag.
type finishMore struct {
	Bag    *caseview.Bag
	Form   *form.Form
	ReadMl string
	PlanMl int32 // where a part of the bag was accepted
}

func prepareFinish(req *site.Request, p *stepPage) (err error) {
	m := &finishMore{Bag: p.Case.Open()}
	p.More = m
	if m.Bag == nil || m.Bag.T == nil || !m.Bag.T.Running {
		m.Bag = nil
		return nil
	}
	if m.Form, err = form.New(req, "finished", "given_ml"); err != nil {
		return err
	}
	m.Form.Want("given_ml").Set("case", p.Case.ID).Set("bag", m.Bag.ID).Submit = words.Say("finish.submit")
	m.ReadMl = fmt.Sprint(m.Bag.T.ReadMl)
	if accepted := p.Case.AcceptedMl(m.Bag); accepted < m.Bag.FullMl() {
		m.PlanMl = accepted
	}
	return nil
}

func postFinish(req *site.Request, p *stepPage) (string, error) {
	m := p.More.(*finishMore)
	to, err := m.Form.PostTo("/case/" + p.Case.ID + "/rest")
	return to, err
}

// restMore asks what became of the rest of the last bag.
type restMore struct {
	Bag           *caseview.Bag
	LeftMl        int32
	Discard, Keep *form.Form
}

func prepareRest(req *site.Request, p *stepPage) (err error) {
	m := &restMore{Bag: p.Case.LastRun()}
	p.More = m
	if m.Bag == nil || m.Bag.T == nil || m.Bag.T.Running {
		m.Bag = nil
		return nil
	}
	m.LeftMl = max(0, m.Bag.FullMl()-m.Bag.T.GivenMl)
	if m.Discard, err = form.New(req, "bag_discarded", "volume_ml"); err != nil {
		return err
	}
	m.Discard.Set("bag", m.Bag.ID).Set("reason", "rest_of_bag").Submit = words.Say("rest.submit_discard")
	if m.Discard.Input("volume_ml").Value == "" {
		m.Discard.Input("volume_ml").Value = fmt.Sprint(m.LeftMl)
	}
	if m.Keep, err = form.New(req, "bag_kept_back", "reason"); err != nil {
		return err
	}
	m.Keep.Set("bag", m.Bag.ID).Submit = words.Say("treat.submit_keep")
	return nil
}

func postRest(req *site.Request, p *stepPage) (string, error) {
	m := p.More.(*restMore)
	f := m.Discard
	if req.PostForm.Get("do") == "keep" {
		f = m.Keep
	}
	next, err := nextOf(req, p.Case.ID)
	if err != nil {
		return "", err
	}
	return f.PostTo(next)
}
