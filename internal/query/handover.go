package query

import (
	"cmp"
	"context"
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/engine"
	"thawtrail/internal/handover"
	"thawtrail/internal/label"
	"thawtrail/internal/ledger"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// laptop names a device.
func (b *ReadView) laptop(id []byte) string {
	exchangeID := fmt.Sprintf("%x", id)
	for _, l := range b.r.Store.Logs() {
		if fmt.Sprintf("%x", l.Device()) == exchangeID && l.Name != "" {
			return l.Name
		}
	}
	return exchangeID[:min(len(exchangeID), 6)]
}

// LaptopName is what a laptop is called; the first digits of its id where it has no name.
func (b *ReadView) LaptopName(id []byte) string { return b.laptop(id) }

// ShowCode puts a running case into the characters of package handover.
func (s Reader) ShowCode(ctx context.Context, id string) (*pb.ShowCodeResponse, error) {
	out := &pb.ShowCodeResponse{}
	err := s.View(ctx, func(b *ReadView) error {
		found, err := b.Resolve("case", "case", id)
		if err != nil {
			return err
		}
		c, err := b.Case(found)
		if err != nil {
			return err
		}
		if c == nil || !c.Running {
			return refusal.Conflict("case", found, "a case in which a bag runs").Because("a file hands over a case at any time: `thawtrail books write --case`")
		}
		sheet, err := b.codeSheet(c)
		if err != nil {
			return err
		}
		out.Case, out.Says = found, b.SheetWords(sheet)
		out.Dam, out.Mark = whoInWords(c)
		rows, err := handover.Write(sheet, out.Dam, out.Mark)
		out.Rows = rows[:]
		return err
	})
	return out, err
}

// whoInWords are the dam and the mark that are typed beside a code.
func whoInWords(c *ledger.Case) (dam, mark string) {
	p := c.Patient
	if p == nil {
		return "", ""
	}
	return cmp.Or(p.DamName, p.Name, p.DamKey), cmp.Or(p.Markings, p.Colour, p.NeckBand)
}

func (b *ReadView) codeSheet(c *ledger.Case) (handover.Sheet, error) {
	s := handover.Sheet{
		Case: c.Entity.ID, Clamped: c.Clamped, Reaction: len(c.Reactions) > 0, NextVitalsMs: NextVitals(c),
		MadeMs: b.now.Truncate(time.Minute).UnixMilli(), Rehearsal: b.r.Rehearsal(),
	}
	if told := c.LastTold(); told != nil {
		s.Reaction = s.Reaction || told.ReactionSeen
	}
	for i := range c.Transfusions {
		if t := &c.Transfusions[i]; t.Running {
			s.Bag, s.StartedMs, s.BeforeMl = t.Bag, t.FirstMs(), c.PlasmaMl-t.CountedMl()
			if s.ReadMs = c.LastReadMs(t); s.ReadMs != 0 {
				s.GivenMl = proto.Int32(t.ReadMl)
			}
		}
	}
	for _, set := range c.Sets {
		if set.Bag == s.Bag {
			s.SetMs = set.Stamp.AtMs
		}
	}
	for _, rate := range c.Rates {
		if rate.Bag == s.Bag || rate.Bag == "" {
			s.MlPerH, s.SlowStage = proto.Int32(rate.MlPerH), rate.SlowStage
		}
	}
	if n := len(c.Weights); n > 0 {
		s.WeightG = c.Weights[n-1].WeightG
	}
	watch, err := b.Watch(c)
	sheetLooks(&s, Looks(c), watch)
	return s, err
}

// sheetLooks puts the last look and the baseline of its alarms into a code.
func sheetLooks(s *handover.Sheet, looks []engine.VitalsLook, watch engine.VitalsWatch) {
	s.Baseline = carriedLook(watch.Baseline)
	for i := range looks {
		if look := carriedLook(looks[i].Values); !look.Empty() {
			s.Vitals, s.VitalsMs = look, looks[i].AtMs
		}
	}
}

// carriedLook is the signs of a look, by VitalSign, as a code carries them.
func carriedLook(values [3]*int32) handover.Look {
	return handover.Look{TemperatureDc: values[engine.Temperature], HeartRate: values[engine.HeartRate], BreathingRate: values[engine.BreathingRate]}
}

// SheetWords tells what a code says, to be compared on both screens.
func (b *ReadView) SheetWords(s handover.Sheet) []string {
	at := func(ms int64) string {
		if ms == 0 {
			return "not noted"
		}
		return time.UnixMilli(ms).In(b.zone).Format("15:04")
	}
	number := func(v *int32, unit string) string {
		if v == nil {
			return "not noted"
		}
		return fmt.Sprintf("%d %s", *v, unit)
	}
	flow := "rate " + number(s.MlPerH, "mL/h")
	if s.SlowStage {
		flow += ", slow start"
	}
	if s.Clamped {
		flow += ", clamp shut"
	}
	weight := "weight not noted"
	if s.WeightG > 0 {
		weight = fmt.Sprintf("weight %.1f kg", float64(s.WeightG)/1000)
	}
	reaction := "no reaction noted"
	if s.Reaction {
		reaction = "a reaction was seen"
	}
	given := fmt.Sprintf("given of this bag %s, read at %s", number(s.GivenMl, "mL"), at(s.ReadMs))
	if s.BeforeMl > 0 {
		given += fmt.Sprintf("; earlier bags %d mL", s.BeforeMl)
	}
	return []string{
		fmt.Sprintf("bag %s, started %s, set attached %s", label.BagNumber(s.Bag), at(s.StartedMs), at(s.SetMs)),
		given, flow, weight, reaction, "last vitals " + lookWords(s.Vitals, at(s.VitalsMs)) + "; baseline " + lookWords(s.Baseline, ""),
		"next vitals " + at(s.NextVitalsMs),
	}
}

// lookWords tells a look in one line.
func lookWords(l handover.Look, at string) string {
	if l.Empty() {
		return "not noted"
	}
	parts := []string{}
	for s, v := range [...]*int32{engine.Temperature: l.TemperatureDc, engine.HeartRate: l.HeartRate, engine.BreathingRate: l.BreathingRate} {
		if sign := engine.VitalSign(s); v != nil {
			parts = append(parts, sign.String()+" "+sign.Value(*v))
		}
	}
	if at != "" {
		parts = append(parts, "at "+at)
	}
	return strings.Join(parts, ", ")
}
