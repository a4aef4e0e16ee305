package site

import (
	"strings"
	"time"

	"thawtrail/internal/engine"
	"thawtrail/internal/ledger"
	"thawtrail/internal/query"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// Header is what the frame of a page knows of the case that the page is about.
type Header struct {
	*Patient
	Running *Running // nil when no bag runs
}

// Patient stands on every page of a case.
type Patient struct {
	Case, Line, Name, Dam, Marks, Yard, Twin, Age string
	Weight                                        string // all of it: 52.5 kg (50 to 55), tape
	Weighs, Weighed                               string // 52.5 kg, and how that is known
	Foal                                          bool
	AgeH                                          *float64 // now; nil when the birth is not told
	Kg                                            float64
	WeightKg                                      engine.Range // zero when not weighed
}

// Running is a case in which a bag runs: its three buttons are always there.
type Running struct {
	Case    string
	Bag     string
	Clamped bool
	Name    string // of the patient
	Several bool   // more than one runs: each press names its patient
}

// ReadCase hands on the case that an address names.
func (req *Request) ReadCase(text string, fn func(*query.ReadView, *ledger.Case) error) error {
	return req.Read(func(l *query.ReadView) error {
		id, err := l.CaseID(text)
		if err != nil {
			return err
		}
		c, err := l.Case(id)
		if err != nil {
			return err
		}
		if c == nil {
			return ErrNotFound
		}
		return fn(l, c)
	})
}

// HeaderOf is the header of a case.
func HeaderOf(l *query.ReadView, c *ledger.Case, now time.Time) Header {
	line := l.Patient(c)
	h := Header{Patient: &Patient{Case: c.Entity.ID, Line: line, Name: line}}
	if p := c.Patient; p != nil {
		h.Name = strings.TrimSuffix(line, " ("+l.Marks(p)+")")
		h.Dam, h.Marks, h.Yard, h.Twin, h.Foal = p.DamName, l.Marks(p), p.Yard, p.Twin, p.Kind == pb.PatientKind_PATIENT_KIND_FOAL
		if p.BornMs != 0 {
			age := now.Sub(time.UnixMilli(p.BornMs)).Hours()
			h.AgeH, h.Age = &age, ageText(age)
		}
	}
	h.weigh(l, c)
	for i := range c.Transfusions {
		if t := &c.Transfusions[i]; t.Running {
			h.Running = &Running{Case: c.Entity.ID, Bag: words.BagNumber(t.Bag), Clamped: c.Clamped, Name: h.Name}
		}
	}
	return h
}

// weigh takes the last weight with its range.
func (p *Patient) weigh(l *query.ReadView, c *ledger.Case) {
	n := len(c.Weights)
	if n == 0 {
		return
	}
	w := c.Weights[n-1]
	p.Kg = float64(w.WeightG) / 1000
	p.WeightKg = engine.Exactly(p.Kg)
	p.Weighs = l.Weight(w.WeightG)
	if w.LowG != nil && w.HighG != nil {
		p.WeightKg.Low, p.WeightKg.High = float64(*w.LowG)/1000, float64(*w.HighG)/1000
		p.Weighed = " " + words.Say("word.weight_range", words.Num(p.WeightKg.Low), words.Num(p.WeightKg.High))
	}
	if w.Method != pb.WeightMethod_WEIGHT_METHOD_UNSPECIFIED { // a code does not tell it
		p.Weighed += ", " + words.Enum(w.Method)
	}
	p.Weight = p.Weighs + p.Weighed
}

func ageText(h float64) string {
	switch {
	case h < 0:
		return words.Say("time.unborn")
	case h < 48:
		return words.Say("time.short_h", int(h))
	}
	return words.Say("time.short_d", int(h/24))
}
