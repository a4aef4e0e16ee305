package query

import (
	"strings"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	"thawtrail/internal/say"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// ofPlasma tells what is done with plasma at a patient, from the plan to the last drop;
// false when it is nothing of that.
func (w *teller) ofPlasma(m proto.Message) bool {
	switch p := m.(type) {
	case *pb.PlanAccepted:
		w.planAccepted(p)
	case *pb.BathChecked:
		w.title(say.Text("tale.bath_checked"))
		w.and(w.bag(p.Bag), w.patient(p.Case))
		w.checked(p, "bath_checked", p.Text)
	case *pb.HangChecked:
		w.title(say.Text("tale.hang_checked"))
		w.and(maybe(p.BagDc, func(v int32) string { return say.Text("tale.bag_at", w.b.Celsius(v)) }), w.bag(p.Bag), w.patient(p.Case))
		w.checked(p, "hang_checked", p.Text)
	case *pb.CatheterPlaced:
		w.begin(say.Text("tale.catheter", p.Gauge, p.Site))
		w.and(maybe(p.LengthMm, func(v int32) string { return say.Text("tale.mm_long", v) }))
	case *pb.CatheterRemoved:
		w.title(say.Text("tale.catheter_out"))
		w.and(p.Site, quoted(p.Text))
	case *pb.TransfusionStarted:
		w.started(p)
	case *pb.RateSet:
		w.rateSet(p)
	case *pb.VitalsNoted:
		w.vitals(p)
	case *pb.FlowChanged:
		w.flow(p)
	case *pb.TransfusionEnded:
		w.ended(p)
	default:
		return w.ofReaction(m)
	}
	return true
}

// ofReaction tells what was seen and given when something went wrong.
func (w *teller) ofReaction(m proto.Message) bool {
	switch p := m.(type) {
	case *pb.ReactionNoted:
		w.reaction(p)
	case *pb.ReactionDescribed:
		w.reactionDescribed(p)
	case *pb.DrugGiven:
		w.drug(p)
	case *pb.FluidGiven:
		w.begin(say.Text("tale.fluid", w.b.Ml(p.VolumeMl), p.Fluid))
	default:
		return false
	}
	return true
}

func (w *teller) planAccepted(p *pb.PlanAccepted) {
	switch p.Plan {
	case "drip":
		w.title(say.Text("tale.rate_accepted"))
		w.and(maybe(p.PlateauMlPerH, w.b.mlPerH))
	default:
		w.title(say.Text("tale.plan_accepted", w.b.Ml(p.VolumeMl)))
		w.and(maybe(p.PlateauMlPerH, w.b.mlPerH), w.bags(p.Bags, false), w.patient(p.Case))
	}
	w.and(maybe(p.DropsPerMl, func(v int32) string { return say.Text("tale.drops_per_ml", v) }))
}

func (w *teller) started(p *pb.TransfusionStarted) {
	w.title(say.Text("tale.started"))
	w.and(w.bag(p.Bag), w.patient(p.Case), w.siteOf(p.Case))
	if p.SharedWithTwin {
		w.and(say.Text("tale.shared"))
	}
}

// siteOf is where the catheter of a case lay at the moment of the entry.
func (w *teller) siteOf(id string) (site string) {
	c, err := w.b.Case(id)
	if err != nil || c == nil {
		return ""
	}
	for i := range c.Catheters {
		if k := &c.Catheters[i]; k.Stamp.AtMs <= w.atMs {
			if site = k.Site; k.Removed {
				site = ""
			}
		}
	}
	return site
}

func (w *teller) rateSet(p *pb.RateSet) {
	rate := say.Text("tale.rate", w.b.mlPerH(p.MlPerH))
	if p.SlowStage {
		rate = say.Text("tale.rate_slow", w.b.mlPerH(p.MlPerH))
	}
	w.begin(rate)
	w.and(maybe(p.DropsPerMin, func(v int32) string { return say.Text("tale.drops", v) }), w.bag(p.Bag))
}

func (w *teller) vitals(p *pb.VitalsNoted) {
	w.title(say.Text("tale.vitals"))
	if p.Baseline {
		w.title(say.Text("tale.baseline"))
	}
	w.signs(p.TemperatureDc, p.HeartRate, p.BreathingRate)
	w.and(maybe(p.GivenMl, func(v int32) string { return say.Text("tale.given", w.b.Ml(v)) }))
	if c, err := w.b.Case(p.Case); p.GivenMl != nil && err == nil && c != nil {
		w.and(w.bag(RanAt(c, w.atMs)))
	}
	w.and(quoted(p.Text))
}

// flow tells the clamp shut, or opened again.
func (w *teller) flow(p *pb.FlowChanged) {
	if event.Name(w.typ) == "resumed" {
		w.title(say.Text("tale.resumed"))
	} else {
		w.title(say.Text("tale.clamped"))
	}
	w.and(maybe(p.GivenMl, func(v int32) string { return say.Text("tale.given", w.b.Ml(v)) }), w.bag(p.Bag), quoted(p.Reason))
}

func (w *teller) ended(p *pb.TransfusionEnded) {
	if event.Name(w.typ) == "stopped" {
		w.title(say.Text("tale.stopped"))
		w.but(toldOf(p.Reason, func(t string) string { return say.Text("tale.stopped_for", short(t)) }))
	} else {
		w.title(say.Text("tale.finished"))
		w.and(quoted(p.Reason))
	}
	w.parts = append([]string{say.Text("tale.given", w.b.Ml(p.GivenMl))}, w.parts...)
	w.and(w.bag(p.Bag), w.patient(p.Case))
}

func (w *teller) reaction(p *pb.ReactionNoted) {
	w.wrongly(say.Text("tale.reaction"))
	if p.Grave {
		w.wrongly(say.Text("tale.reaction_grave"))
	}
	w.and(strings.Join(p.Signs, ", "), w.bag(p.Bag), w.patient(p.Case))
}

func (w *teller) reactionDescribed(p *pb.ReactionDescribed) {
	w.begin(say.Text("tale.reaction_kind", wording.Enum(p.Kind)))
	w.and(wording.Enum(p.Grade),
		maybe(p.OnsetMin, func(v int32) string { return say.Text("tale.onset_min", v) }),
		maybe(p.OnsetMl, func(v int32) string { return say.Text("tale.onset_ml", w.b.Ml(v)) }),
		quoted(p.Treatment), toldOf(p.CheckedBy, func(t string) string { return say.Text("tale.checked_by", t) }), quoted(p.Course))
	if p.EndedAt != nil {
		w.and(say.Text("tale.over", w.b.Clock(p.EndedAt.UnixMs)))
	}
}

// drug tells a drug in mg and mL: the mL are those of its strength.
func (w *teller) drug(p *pb.DrugGiven) {
	ml := int64(p.DoseUg) * 1000 / max(int64(p.StrengthUgPerMl), 1)
	w.begin(say.Text("tale.drug", thousandth(p.DoseUg), p.Drug, thousandth(int32(ml)), thousandth(p.StrengthUgPerMl), p.Route))
	w.and(toldOf(p.CheckedBy, func(t string) string { return say.Text("tale.checked_by", t) }),
		maybe(p.RepeatMin, func(v int32) string { return say.Text("tale.repeat", v) }))
}
