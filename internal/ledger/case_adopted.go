package ledger

import (
	"slices"

	"thawtrail/internal/event"
	pb "thawtrail/proto/thawtrail/v1"
)

// Adoption is a laptop that took the case over: it has it from then on.
type Adoption struct {
	_      struct{} `cbor:",toarray"`
	Stamp  Stamp
	Way    pb.AdoptedBy
	Device []byte     // id of that laptop
	From   []byte     // id of the laptop that had it, when that was known
	Told   *CodeSheet // what a code said; nil when the records themselves came
}

// CodeSheet is a running case as a code told it. It stands in for records that are not
// here: who the patient is, the start, the reading, the rate. Each part gives way
// to the record that it was made from as soon as that is here, so that nothing is
// there twice, in whatever order the records come.
type CodeSheet struct {
	_            struct{} `cbor:",toarray"`
	Bag          string
	Product      string
	Batch        string
	DamName      string
	Mark         string
	WeightG      *int32
	GivenMl      *int32 // of this bag, as last read
	BeforeMl     int32  // of earlier bags of the case
	MlPerH       *int32
	SlowStage    bool
	Clamped      bool
	ReactionSeen bool
	StartedMs    int64
	SetMs        int64 // 0: not noted
	ReadMs       int64
	NextVitalsMs int64
	MadeMs       int64 // 0: not told by an older program
	VitalsMs     int64
	Look         ToldLook // the last one
	Baseline     ToldLook
}

// ToldLook is a look at the patient as a code told it.
type ToldLook struct {
	_             struct{} `cbor:",toarray"`
	TemperatureDc *int32
	HeartRate     *int32
	BreathingRate *int32
}

func adoptionOf(f *fact, p *pb.CaseAdopted) Adoption {
	a := Adoption{Stamp: f.stamp(), Way: p.Way, Device: slices.Clone(f.rec.Head.Device), From: slices.Clone(p.FromDevice)}
	if p.Way == pb.AdoptedBy_ADOPTED_BY_CODE && p.Bag != "" {
		a.Told = &CodeSheet{
			Bag: p.Bag, Product: p.Product, Batch: p.Batch, DamName: p.DamName, Mark: p.Mark, WeightG: copied(p.WeightG),
			GivenMl: copied(p.GivenMl), BeforeMl: p.GivenBeforeMl, MlPerH: copied(p.MlPerH), SlowStage: p.SlowStage,
			Clamped: p.Clamped, ReactionSeen: p.ReactionSeen, StartedMs: p.StartedAt.GetUnixMs(), SetMs: p.SetAttachedAt.GetUnixMs(),
			ReadMs: p.ReadAt.GetUnixMs(), NextVitalsMs: p.NextVitalsAt.GetUnixMs(),
			MadeMs: p.MadeAt.GetUnixMs(), VitalsMs: p.VitalsAt.GetUnixMs(),
			Look:     ToldLook{TemperatureDc: copied(p.TemperatureDc), HeartRate: copied(p.HeartRate), BreathingRate: copied(p.BreathingRate)},
			Baseline: ToldLook{TemperatureDc: copied(p.BaselineTemperatureDc), HeartRate: copied(p.BaselineHeartRate), BreathingRate: copied(p.BaselineBreathingRate)},
		}
	}
	return a
}

// Holder is the id of the laptop that has the case; nil when nobody took it over,
// so that it is where it was opened.
func (c *Case) Holder() []byte {
	if n := len(c.Adoptions); n > 0 {
		return c.Adoptions[n-1].Device
	}
	return nil
}

// patient is the patient's key, as far as the dam's name makes one.
func (t *CodeSheet) patient() string {
	if key := event.DamKey("", "", t.DamName); key != "" {
		return key + "/"
	}
	return ""
}

// standIn lets the dam and the mark that a code told say who the patient is, while
// the opening is not here, and counts what earlier bags gave that are not here.
func (c *Case) standIn() {
	told := c.LastTold()
	if told == nil {
		return
	}
	if c.Patient == nil {
		i := slices.IndexFunc(c.Adoptions, func(a Adoption) bool { return a.Told != nil })
		c.Patient = &Patient{
			Stamp: c.Adoptions[i].Stamp, DamName: told.DamName, DamKey: event.DamKey("", "", told.DamName), Markings: told.Mark,
		}
	}
	before := told.BeforeMl
	for i := range c.Transfusions {
		if t := &c.Transfusions[i]; t.Bag != told.Bag && minute(t.FirstMs()) <= minute(told.MomentMs()) {
			before -= t.CountedMl()
		}
	}
	c.UnseenMl = max(0, before)
}

// LastReadMs is when a running bag was last read: from vitals and clampings since
// its start, or as a code told; 0 when it was not.
func (c *Case) LastReadMs(t *Transfusion) int64 {
	ms := c.readHereMs(t)
	if told := c.LastTold(); told != nil && told.Bag == t.Bag && told.GivenMl != nil {
		ms = max(ms, told.ReadMs)
	}
	return ms
}

// readHereMs is when it was last read by what is on record here.
func (c *Case) readHereMs(t *Transfusion) (ms int64) {
	for i := range c.Vitals {
		if v := &c.Vitals[i]; v.GivenMl != nil && v.Stamp.AtMs >= t.FirstMs() {
			ms = max(ms, v.Stamp.AtMs)
		}
	}
	for i := range c.Flows {
		if f := &c.Flows[i]; f.GivenMl != nil && (f.Bag == t.Bag || f.Bag == "") && f.Stamp.AtMs >= t.FirstMs() {
			ms = max(ms, f.Stamp.AtMs)
		}
	}
	return ms
}
