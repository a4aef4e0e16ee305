package page

import (
	"thawtrail/internal/event"
	"thawtrail/internal/refusal"
	"thawtrail/internal/service"
	"thawtrail/internal/typed"
	pb "thawtrail/proto/thawtrail/v1"
)

// startMore is what the start page shows.
type startMore struct {
	Bag            *Bag
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
	People         []Option
	CatheterPlaced bool
}

func prepareStart(req *Request, p *stepPage) error {
	cv := p.Case
	m := &startMore{Bag: cv.waiting(), RequestID: newRequestID(), NoBaseline: !cv.hasBaseline(), Card: cv.reactionCard()}
	p.More = m
	m.Gauge, m.Site = req.PostForm.Get("gauge"), req.PostForm.Get("site")
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

// postStart writes what one press means: the set is in and plasma runs slowly.
func postStart(req *Request, p *stepPage) (string, error) {
	m := p.More.(*startMore)
	if m.Bag == nil {
		return "", refusal.Conflict("bag", "", say("bath.wanted"))
	}
	m.RequestID = req.PostForm.Get("request_id")
	if m.Gauge != "" || m.Site != "" {
		cath := &pb.CatheterPlaced{Case: p.Case.ID, Site: m.Site}
		f := specOf("catheter_placed").Message().Fields().ByName("gauge")
		err := (typed.Field{Clock: req.clock(), Desc: f, Rule: event.RuleOf(f), Name: "gauge", Scale: 1}).Put(cath.ProtoReflect(), []string{m.Gauge})
		if err == nil {
			_, err = req.writeOne("-c", "catheter_placed", cath)
		}
		if refused, ok := service.Refusal(err); ok {
			m.Refusal = refused.Error()
			return "", nil
		} else if err != nil {
			return "", err
		}
	}
	if _, err := req.writeOne("-s", "set_attached", &pb.SetAttached{Bag: m.Bag.ID, Case: p.Case.ID}); err != nil {
		return "", m.refused(err)
	}
	out, err := req.writeOne("", "transfusion_started", &pb.TransfusionStarted{Bag: m.Bag.ID, Case: p.Case.ID})
	if err != nil {
		return "", m.refused(err)
	}
	if m.slowMlPerH > 0 {
		if _, err := req.writeOne("-r", "rate_set", &pb.RateSet{Case: p.Case.ID, MlPerH: m.slowMlPerH, SlowStage: true}); err != nil {
			return "", m.refused(err)
		}
	}
	req.saved(out)
	return "/case/" + p.Case.ID + "/run", nil
}

func (m *startMore) refused(err error) error {
	if ref, ok := service.Refusal(err); ok {
		m.Refusal = ref.Error()
		return nil
	}
	return err
}
