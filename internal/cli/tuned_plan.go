package cli

import (
	"fmt"
	"strings"

	pb "thawtrail/proto/thawtrail/v1"
)

func (p *page) dose(x *pb.DoseResponse) {
	if len(x.Indications) > 0 {
		p.indications(x.Indications)
		p.tail(x.ProtoReflect())
		return
	}
	p.wrap("", line(x.Now))
	if x.GetLaterMl() >= 1 {
		p.wrap("", fmt.Sprintf("Later: %s mL. Recheck IgG before.", number(*x.LaterMl)))
	}
	p.blank()
	pairs := spanPairs([]spanLine{
		{"IgG deficit", x.IggLackingG, "g"}, {"volume", x.VolumeMl, "mL"}, {"", x.VolumeMlPerKg, "mL/kg"},
		{"expected rise", x.ExpectedRiseGPerL, "g/L"}, {"expected IgG", x.ExpectedIggGPerL, "g/L"},
	})
	if x.DistributionRangeMlPerKg != nil {
		pairs = append(pairs, [2]string{"distribution", spanText(x.DistributionRangeMlPerKg, "mL/kg")})
	}
	if x.CeilingMl != nil {
		pairs = append(pairs, [2]string{"ceiling in 24 h", number(*x.CeilingMl) + " mL of plasma"})
		pairs = append(pairs, [2]string{"given in 24 h", number(x.GetGiven_24HMl()) + " mL of plasma, " + number(x.GetOtherFluids_24HMl()) + " mL of other fluids"})
	}
	p.pairs(pairs)
	p.bagPlan(x.Bags)
	p.tail(x.ProtoReflect())
}

type spanLine struct {
	name string
	span *pb.Span
	unit string
}

func spanPairs(lines []spanLine) [][2]string {
	var out [][2]string
	for _, l := range lines {
		if l.span == nil {
			continue
		}
		out = append(out, [2]string{l.name, spanText(l.span, l.unit)})
	}
	return out
}

// bagPlan is a table of the plan in bags.
func (p *page) bagPlan(x *pb.BagPlan) {
	if x == nil {
		return
	}
	var rows []tableRow
	for _, r := range []struct {
		name string
		o    *pb.BagOutcome
	}{{"now", x.Now}, {"in all", x.Total}, {"one fewer", x.OneFewer}, {"asked", x.Asked}} {
		if r.o == nil {
			continue
		}
		rows = append(rows, tableRow{cells: []string{
			r.name, fmt.Sprint(r.o.Bags), number(r.o.VolumeMl), number(r.o.VolumeMlPerKg), shortSpan(r.o.ExpectedRiseGPerL), shortSpan(r.o.ExpectedIggGPerL),
		}})
	}
	p.blank()
	p.table([]column{
		{}, {head: "bags", number: true}, {head: "mL", number: true}, {head: "mL/kg", number: true},
		{head: "rise, g/L", whole: true}, {head: "IgG after, g/L", whole: true},
	}, rows)
}

// shortSpan is a range in a table, to one place behind the point.
func shortSpan(x *pb.Span) string {
	switch {
	case x == nil:
		return ""
	case x.Low == x.High:
		return fmt.Sprintf("%.1f", x.Mid)
	}
	return fmt.Sprintf("%.1f (%.1f to %.1f)", x.Mid, x.Low, x.High)
}

// indications are what was published, for a reader; not advice.
func (p *page) indications(list []*pb.Indication) {
	p.line("Published uses of plasma. Amounts are what a study or text gave, not advice.")
	for _, x := range list {
		p.blank()
		p.wrap("", line(x.Name+", "+x.Patient))
		p.pairs(known([][2]string{
			{"amount", amountText(x)}, {"found", x.Finding}, {"against", x.Disputed}, {"source", x.Source},
		}))
	}
}

func amountText(x *pb.Indication) string {
	low, high, unit := x.LowMl, x.HighMl, "mL"
	if low == nil {
		low, high, unit = x.LowMlPerKg, x.HighMlPerKg, "mL/kg"
	}
	switch {
	case low == nil || high == nil:
		return "none was read"
	case *low == *high:
		return number(*low) + " " + unit
	}
	return number(*low) + " to " + number(*high) + " " + unit
}

// pick prints the bags of a stock file to take.
func (p *page) pick(x *pb.PickResponse) {
	switch {
	case len(x.Bags) == 0:
		p.line("No bag of this file may be given.")
	case x.ShortMl > 0:
		p.line(fmt.Sprintf("Not enough: %s, %s mL, are all there is; %s mL are lacking.", count(len(x.Bags), "bag"), number(x.VolumeMl), number(x.ShortMl)))
	default:
		p.line(fmt.Sprintf("Take %s: %s mL, %s mL more than is needed.", count(len(x.Bags), "bag"), number(x.VolumeMl), number(x.WasteMl)))
	}
	for _, bag := range x.Bags {
		p.line("      " + line(bagText(bag)))
	}
	if len(x.RunnerUp) > 0 {
		p.hang("or  ", "    ", line(strings.Join(x.RunnerUp, ", ")))
	}
	if len(x.Excluded) > 0 {
		p.list(x.ProtoReflect(), x.ProtoReflect().Descriptor().Fields().ByName("excluded"))
	}
	p.tail(x.ProtoReflect())
}

// end prints when a running bag will be empty.
func (p *page) end(x *pb.EndResponse) {
	if x.EndAt == "" {
		p.line("At this rate it does not end.")
	} else {
		p.line("Empty at about " + line(clockText(x.EndAt)) + ".")
	}
	late := clockText(x.Late)
	if late == "" {
		late = "not at all"
	}
	rate := number(x.MlPerH) + " mL/h"
	if x.MlPerKgPerH != nil {
		rate += ", " + number(*x.MlPerKgPerH) + " mL/kg/h"
	}
	p.pairs(known([][2]string{{"early", clockText(x.Early)}, {"late", late}, {"rate", rate}, {"left", number(x.LeftMl) + " mL"}}))
	p.tail(x.ProtoReflect())
}
