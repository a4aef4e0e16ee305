package ledger

import (
	"cmp"

	pb "thawtrail/proto/thawtrail/v1"
)

// CaseLine is what sums over all cases need of one: who was treated, with what, and how
// that went. It follows from the case's state alone and is kept beside it, so that a
// question about years does not read every look at every patient.
type CaseLine struct {
	ID        string
	Canonical string // the smallest id among this case and those linked to it
	Kind      pb.PatientKind
	OpenedMs  int64
	BornMs    int64 // 0 when not told
	Client    string
	DamName   string
	DamChip   string
	DamUeln   string
	Outcome   pb.Outcome
	Weights   []LineWeight
	Tests     []LineTest
	Ran       []LineRun // as Case.Transfusions
	Reactions []LineReaction
	Exams     []LineExam
}

// LineWeight is a weight of the patient.
type LineWeight struct {
	AtMs    int64
	WeightG int32
}

// LineTest is an IgG test, by when the blood was taken.
type LineTest struct {
	AtMs           int64
	Recheck        bool
	IggCgPerL      *int32
	BandLowCgPerL  *int32
	BandHighCgPerL *int32
	CutCgPerL      *int32
	Side           pb.CutSide
}

// LineRun is one bag in the patient.
type LineRun struct {
	Bag     string
	Product string // as told when it was started
	Batch   string
	Place   string
	FirstMs int64
	LastMs  int64 // 0 while it runs
	Ml      int32
}

// LineReaction is a reaction that was seen, and the bag that it names.
type LineReaction struct {
	AtMs int64
	Bag  string
}

// LineExam is a look at the patient, and whether it found a sign of illness.
type LineExam struct {
	AtMs int64
	Sick bool
}

// Foal says that the patient is a foal; of a patient whose opening is not here nothing
// is assumed.
func (l *CaseLine) Foal() bool { return l.Kind == pb.PatientKind_PATIENT_KIND_FOAL }

// NumberBefore is the last IgG as a number before plasma; nil where there is none.
func (l *CaseLine) NumberBefore(ms int64) (last *LineTest) {
	for i := range l.Tests {
		if t := &l.Tests[i]; !t.Recheck && t.IggCgPerL != nil && t.AtMs <= ms {
			last = t
		}
	}
	return last
}

// NumberAfter is the first IgG as a number after plasma; nil where there is none.
func (l *CaseLine) NumberAfter(ms int64) *LineTest {
	for i := range l.Tests {
		if t := &l.Tests[i]; t.Recheck && t.IggCgPerL != nil && t.AtMs > ms {
			return t
		}
	}
	return nil
}

// Line is the case as sums need it.
func (c *Case) Line() *CaseLine {
	l := &CaseLine{ID: c.Entity.ID, Canonical: c.Canonical(), OpenedMs: c.OpenedMs(), Outcome: c.Outcome()}
	if p := c.Patient; p != nil {
		l.Kind, l.BornMs, l.Client = p.Kind, p.BornMs, p.Client
		l.DamName, l.DamChip, l.DamUeln = p.DamName, p.DamChip, p.DamUeln
	}
	for _, w := range c.Weights {
		l.Weights = append(l.Weights, LineWeight{AtMs: w.Stamp.AtMs, WeightG: w.WeightG})
	}
	for i := range c.IggTests {
		t := &c.IggTests[i]
		l.Tests = append(l.Tests, LineTest{
			AtMs: t.TakenMs(), Recheck: t.Recheck, IggCgPerL: t.IggCgPerL,
			BandLowCgPerL: t.BandLowCgPerL, BandHighCgPerL: t.BandHighCgPerL, CutCgPerL: t.CutCgPerL, Side: t.Side,
		})
	}
	for i := range c.Transfusions {
		t := &c.Transfusions[i]
		l.Ran = append(l.Ran, LineRun{Bag: t.Bag, Product: t.Product, Batch: t.Batch, Place: t.Place, FirstMs: t.FirstMs(), LastMs: t.LastMs(), Ml: t.CountedMl()})
	}
	for i := range c.Exams {
		l.Exams = append(l.Exams, LineExam{AtMs: c.Exams[i].Stamp.AtMs, Sick: len(c.Exams[i].Signs) > 0})
	}
	for _, r := range c.Reactions {
		l.Reactions = append(l.Reactions, LineReaction{AtMs: r.Stamp.AtMs, Bag: r.Bag})
	}
	return l
}

// TakenMs is when the blood was taken; where nobody told, when the test was.
func (t *IggTest) TakenMs() int64 { return cmp.Or(max(t.SampledMs, 0), t.Stamp.AtMs) }
