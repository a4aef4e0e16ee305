package query

import (
	"cmp"
	"strings"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/engine"
	"thawtrail/internal/event"
	"thawtrail/internal/say"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// ofCase tells what is noted of a patient beside plasma; false when it is nothing of
// that.
func (w *teller) ofCase(m proto.Message) bool {
	switch p := m.(type) {
	case *pb.CaseOpened:
		w.caseOpened(p)
	case *pb.RiskAsked:
		w.riskAsked(p)
	case *pb.PatientExamined:
		w.examined(p)
	case *pb.PatientWeighed:
		w.weighed(p)
	case *pb.IggTested:
		w.iggTested(p)
	case *pb.ColostrumGiven:
		w.colostrum(p)
	case *pb.ReferralOffered:
		w.title(say.Text("tale.referral", wording.Enum(p.Answer), w.b.Answerer(p.Case, p.Client, p.By)))
		w.and(strings.Join(signsRead(p.Reasons), ", "))
	case *pb.EstimateAgreed:
		w.estimate(p)
	case *pb.CrossmatchNoted:
		w.crossmatch(p)
	case *pb.FoodChainTold:
		w.begin(say.Text("tale.food", wording.Enum(p.Status)))
		w.and(toldOf(p.Passport, func(t string) string { return say.Text("tale.passport", t) }))
	case *pb.CaseClosed:
		w.title(say.Text("tale.closed", wording.Enum(p.Outcome)))
		w.and(quoted(p.Reason))
	case *pb.CaseAdopted:
		w.adopted(p)
	case *pb.AdverseEvent:
		w.adverse(p)
	case *pb.RecheckPlanned:
		w.recheckPlanned(p)
	case *pb.ClientCalled:
		w.called(p)
	case *pb.FollowUpNoted:
		w.followUp(p)
	case *pb.HandedOver:
		w.handedOver(p)
	default:
		return w.ofMoney(m)
	}
	return true
}

// signsRead are signs as people read them.
func signsRead(names []string) (out []string) {
	known := map[string]string{}
	for _, s := range engine.Signs() {
		known[s.Name] = s.Words
	}
	for _, name := range names {
		if words := known[name]; words != "" {
			name = words
		}
		out = append(out, strings.ReplaceAll(name, "_", " "))
	}
	return out
}

func (w *teller) caseOpened(p *pb.CaseOpened) {
	w.title(say.Text("tale.opened"))
	w.and(w.b.PatientLine(p.Case))
	if p.BornAt != nil {
		w.and(say.Text("tale.born", w.b.Clock(p.BornAt.UnixMs)))
	}
	if p.GestationD != nil {
		w.and(say.Text("tale.gestation", *p.GestationD))
	}
	if !p.ClockChecked {
		w.but(say.Text("tale.clock_unchecked"))
	}
}

// riskAsked tells the answers on isoerythrolysis: what is yes or unknown stands out.
func (w *teller) riskAsked(p *pb.RiskAsked) {
	var yes, unknown []string
	for _, q := range []struct {
		answer pb.Answer
		factor string
	}{
		{p.JaundicedFoalBefore, say.Text("tale.risk_foal")}, {p.PositiveScreen, say.Text("tale.risk_screen")},
		{p.DonkeySire, say.Text("tale.risk_mule")}, {p.YellowOrRedUrine, say.Text("tale.risk_yellow")},
	} {
		switch q.answer {
		case pb.Answer_ANSWER_YES:
			yes = append(yes, q.factor)
		case pb.Answer_ANSWER_UNKNOWN:
			unknown = append(unknown, q.factor)
		}
	}
	if len(yes)+len(unknown) == 0 {
		w.begin(say.Text("tale.no_risk"))
		return
	}
	w.begin(say.Text("tale.risk"))
	w.but(toldOf(strings.Join(yes, ", "), func(t string) string { return say.Text("tale.risk_yes", t) }))
	w.but(toldOf(strings.Join(unknown, ", "), func(t string) string { return say.Text("tale.risk_unknown", t) }))
}

func (w *teller) examined(p *pb.PatientExamined) {
	b := w.b
	w.title(say.Text("tale.examined"))
	w.signs(p.TemperatureDc, p.HeartRate, p.BreathingRate)
	w.and(maybe(p.GlucoseUmolPerL, func(v int32) string { return say.Text("tale.glucose", b.mmolPerL(v)) }),
		maybe(p.TotalProteinDgPerL, func(v int32) string { return say.Text("tale.protein", b.gPerL(v)) }),
		maybe(p.PcvPm, func(v int32) string { return say.Text("tale.pcv", b.percent(v)) }),
		maybe(p.LactateUmolPerL, func(v int32) string { return say.Text("tale.lactate", b.mmolPerL(v)) }),
		quoted(p.Text))
	w.but(toldOf(strings.Join(signsRead(p.Signs), ", "), func(t string) string { return say.Text("tale.seen", t) }))
}

// signs tells temperature, heart and respiratory rate, as far as they were measured.
func (w *teller) signs(temperatureDc, heart, breaths *int32) {
	w.and(maybe(temperatureDc, func(v int32) string { return say.Text("tale.temperature", w.b.Celsius(v)) }),
		maybe(heart, func(v int32) string { return say.Text("tale.heart", v) }),
		maybe(breaths, func(v int32) string { return say.Text("tale.breaths", v) }))
}

func (w *teller) weighed(p *pb.PatientWeighed) {
	b := w.b
	w.begin(say.Text("tale.weighed", b.Weight(p.WeightG)))
	w.and(wording.Enum(p.Method))
	if p.LowG != nil && p.HighG != nil {
		w.and(say.Text("tale.weight_range", b.Weight(*p.LowG), b.Weight(*p.HighG)))
	}
	w.and(maybe(p.GirthMm, func(v int32) string { return say.Text("tale.girth", tenth(v)) }))
}

// iggTested tells a test before plasma, or the one after it.
func (w *teller) iggTested(p *pb.IggTested) {
	b := w.b
	value := ""
	switch {
	case p.NeverSucked:
		w.begin(say.Text("tale.never_sucked"))
		return
	case p.IggCgPerL != nil:
		value = b.Igg(*p.IggCgPerL)
	case p.BandLowCgPerL != nil && p.BandHighCgPerL != nil:
		value = say.Text("tale.from_to", b.Igg(*p.BandLowCgPerL), b.Igg(*p.BandHighCgPerL))
	case p.CutCgPerL != nil:
		value = say.Text("tale.side_of_cut", wording.Enum(p.Side), b.Igg(*p.CutCgPerL))
	}
	if event.Name(w.typ) == "igg_rechecked" {
		w.begin(say.Text("tale.igg_after", value))
	} else {
		w.begin(say.Text("tale.igg", value))
	}
	w.and(toldOf(p.Kind, func(t string) string { return say.Text("tale.by", t) }))
	if p.SampledAt != nil {
		w.and(say.Text("tale.sampled", b.Clock(p.SampledAt.UnixMs)))
	}
}

func (w *teller) colostrum(p *pb.ColostrumGiven) {
	w.begin(say.Text("tale.colostrum", p.VolumeMl, p.Source))
	w.and(p.Route, maybe(p.BrixD, func(v int32) string { return say.Text("tale.brix", w.b.percent(v)) }),
		maybe(p.SpecificGravityE3, func(v int32) string { return say.Text("tale.gravity", thousandth(v)) }))
	if p.UdderRunningMilk {
		w.but(say.Text("tale.running_milk"))
	}
}

func (w *teller) estimate(p *pb.EstimateAgreed) {
	w.title(say.Text("tale.agreed", w.b.Answerer(p.Case, p.Client, p.By), p.How))
	currency := cmp.Or(p.Currency, w.b.currency())
	if p.AmountMinor != nil {
		w.and(moneyIn(*p.AmountMinor, currency))
	}
	if p.UnusedBagMinor != nil {
		w.and(say.Text("tale.unused_bag", moneyIn(*p.UnusedBagMinor, currency)))
	}
}

func (w *teller) crossmatch(p *pb.CrossmatchNoted) {
	w.begin(say.Text("tale.crossmatch", wording.Enum(p.Minor)))
	w.bad = p.Minor == pb.MatchResult_MATCH_RESULT_INCOMPATIBLE
	if p.Major != pb.MatchResult_MATCH_RESULT_UNSPECIFIED {
		w.and(say.Text("tale.crossmatch_major", wording.Enum(p.Major)))
	}
	w.and(w.bag(p.Bag), w.patient(p.Case), toldOf(p.PatientType, func(t string) string { return say.Text("tale.red_cell_type", t) }),
		toldOf(p.Laboratory, func(t string) string { return say.Text("tale.by", t) }))
}

func (w *teller) adopted(p *pb.CaseAdopted) {
	switch p.Way {
	case pb.AdoptedBy_ADOPTED_BY_CODE:
		w.begin(say.Text("tale.adopted_code"))
		w.and(w.bag(p.Bag), maybe(p.GivenMl, func(v int32) string { return say.Text("tale.given", w.b.Ml(v)) }))
	case pb.AdoptedBy_ADOPTED_BY_FILE:
		w.begin(say.Text("tale.adopted_file"))
	default:
		w.begin(say.Text("tale.adopted"))
	}
	w.and(w.patient(p.Case))
}

func (w *teller) adverse(p *pb.AdverseEvent) {
	w.begin(say.Text("tale.adverse", p.Event))
	switch {
	case p.ReportMade || event.Name(w.typ) == "adverse_event_reported":
		w.and(say.Text("tale.reported"), toldOf(p.To, func(t string) string { return say.Text("tale.to", t) }))
	default:
		w.and(say.Text("tale.considered"))
	}
	w.and(toldOf(p.Reference, func(t string) string { return say.Text("tale.reference", t) }), quoted(p.Text))
}

func (w *teller) recheckPlanned(p *pb.RecheckPlanned) {
	w.begin(say.Text("tale.recheck", w.b.Person(p.Person)))
	if p.DueAt != nil {
		w.and(say.Text("tale.due", w.b.Clock(p.DueAt.UnixMs)))
	}
}

func (w *teller) called(p *pb.ClientCalled) {
	w.title(say.Text("tale.called"))
	if !p.Reached {
		w.but(say.Text("tale.not_answered"))
	}
	w.and(toldOf(p.Batch, func(t string) string { return say.Text("tale.about_batch", w.b.Name(event.KindProduct, p.Product), t) }), quoted(p.Text))
}

func (w *teller) followUp(p *pb.FollowUpNoted) {
	w.title(capital(wording.Enum(p.What)))
	w.and(toldOf(p.Person, func(id string) string { return say.Text("tale.done_by", w.b.Person(id)) }),
		toldOf(p.Reason, func(t string) string { return say.Text("tale.left", short(t)) }))
}

func (w *teller) handedOver(p *pb.HandedOver) {
	w.begin(say.Text("tale.handed_over", w.b.Person(p.ToPerson)))
	w.and(maybe(p.GivenMl, func(v int32) string { return say.Text("tale.given", w.b.Ml(v)) }), maybe(p.MlPerH, w.b.mlPerH))
	if p.NextVitalsAt != nil {
		w.and(say.Text("tale.next_vitals", w.b.Clock(p.NextVitalsAt.UnixMs)))
	}
	w.and(toldOf(p.Sitter, func(t string) string { return say.Text("tale.sitter", t) }))
	if p.ReactionSeen {
		w.but(say.Text("tale.reaction_seen"))
	}
}
