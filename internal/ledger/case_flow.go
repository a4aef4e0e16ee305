package ledger

import (
	"slices"

	pb "thawtrail/proto/thawtrail/v1"
)

// Transfusion is one bag in this patient. Two entries of one bag are one.
type Transfusion struct {
	_       struct{} `cbor:",toarray"`
	Bag     string
	Patient string
	Product string
	Batch   string
	Place   string
	Shared  bool
	Starts  []Stamp
	Ends    []TransfusionEnd
	GivenMl int32 // of this bag in all: the greatest that an end tells
	ReadMl  int32 // as last read off the bag while it ran
	Running bool  // started after its last end
	// ToldEndMs is by when it had ended, as a code told; 0 while it runs, and as soon as
	// somebody entered the end.
	ToldEndMs int64
}

// TransfusionEnd is one entry of a bag's end.
type TransfusionEnd struct {
	_        struct{} `cbor:",toarray"`
	Stamp    Stamp
	Finished bool
	GivenMl  int32
	Reason   string
}

// FirstMs is when the bag was first started, or ended if nobody entered a start.
func (t *Transfusion) FirstMs() int64 {
	if len(t.Starts) > 0 {
		return t.Starts[0].AtMs
	}
	return t.Ends[0].Stamp.AtMs
}

// LastMs is when the bag was last ended; 0 while it runs.
func (t *Transfusion) LastMs() int64 {
	if t.Running || len(t.Ends) == 0 || t.ToldEndMs != 0 {
		return t.ToldEndMs
	}
	return t.Ends[len(t.Ends)-1].Stamp.AtMs
}

// CountedMl is what the patient had of the bag, as far as it is known.
func (t *Transfusion) CountedMl() int32 {
	if t.Running || t.ToldEndMs != 0 {
		return max(t.GivenMl, t.ReadMl)
	}
	return t.GivenMl
}

// Rate is a rate of flow that was set.
type Rate struct {
	_           struct{} `cbor:",toarray"`
	Stamp       Stamp
	MlPerH      int32
	SlowStage   bool
	DropsPerMin *int32
	Bag         string
}

// Flow is the clamp shut or opened again.
type Flow struct {
	_       struct{} `cbor:",toarray"`
	Stamp   Stamp
	Clamped bool
	Reason  string
	GivenMl *int32
	Bag     string
}

// CaseBag is something done to a bag for this case.
type CaseBag struct {
	_     struct{} `cbor:",toarray"`
	Stamp Stamp
	Bag   string
}

// CaseKit is kit used for this case.
type CaseKit struct {
	_     struct{} `cbor:",toarray"`
	Stamp Stamp
	Place string
	Item  pb.KitItem
	Count int32
}

// Transfused finds the transfusion of a bag.
func (c *Case) Transfused(bag string) *Transfusion {
	i := slices.IndexFunc(c.Transfusions, func(t Transfusion) bool { return t.Bag == bag })
	if i < 0 {
		return nil
	}
	return &c.Transfusions[i]
}

func (c *Case) start(at Stamp, p *pb.TransfusionStarted) {
	t := c.Transfused(p.Bag)
	if t == nil {
		c.Transfusions = append(c.Transfusions, Transfusion{Bag: p.Bag})
		t = &c.Transfusions[len(c.Transfusions)-1]
	}
	t.Patient, t.Product, t.Batch, t.Place = p.Patient, p.Product, p.Batch, p.Place
	t.Shared = t.Shared || p.SharedWithTwin
	t.Starts = append(t.Starts, at)
	t.Running, t.ToldEndMs = true, 0
	c.Clamped = false
}

func (c *Case) end(at Stamp, p *pb.TransfusionEnded, finished bool) {
	t := c.Transfused(p.Bag)
	if t == nil {
		c.Transfusions = append(c.Transfusions, Transfusion{Bag: p.Bag, Patient: p.Patient})
		t = &c.Transfusions[len(c.Transfusions)-1]
	}
	t.Ends = append(t.Ends, TransfusionEnd{Stamp: at, Finished: finished, GivenMl: p.GivenMl, Reason: p.Reason})
	t.GivenMl = max(t.GivenMl, p.GivenMl)
	t.Running, t.ToldEndMs = false, 0
}

func (c *Case) flow(at Stamp, p *pb.FlowChanged, clamped bool) {
	c.Flows = append(c.Flows, Flow{Stamp: at, Clamped: clamped, Reason: p.Reason, GivenMl: copied(p.GivenMl), Bag: p.Bag})
	c.Clamped = clamped
	c.ranOn(p.Bag, at.AtMs)
	c.read(p.GivenMl, p.Bag)
}

// read notes what was read off a bag; without a bag, off the one that was
// started last and runs.
func (c *Case) read(ml *int32, bag string) {
	if ml == nil {
		return
	}
	for _, t := range slices.Backward(c.Transfusions) {
		if bag == "" && t.Running {
			bag = t.Bag
		}
	}
	if t := c.Transfused(bag); t != nil {
		t.ReadMl = *ml
	}
}

// total adds up and says whether anything runs. A closed case has nothing
// running unless a bag was started after it was closed.
func (c *Case) total() {
	var closedMs int64
	for _, cl := range c.Closings {
		closedMs = cl.Stamp.AtMs
	}
	for i := range c.Transfusions {
		t := &c.Transfusions[i]
		t.Running = t.Running && (len(c.Closings) == 0 || t.Starts[len(t.Starts)-1].AtMs > closedMs)
		c.Running = c.Running || t.Running
		c.PlasmaMl += t.CountedMl()
	}
	c.PlasmaMl += c.UnseenMl
	c.Clamped = c.Clamped && c.Running
	for _, f := range c.Fluids {
		c.FluidMl += f.VolumeMl
	}
}

// LastEndMs is when the last bag ended; 0 when none has or one runs. The recheck
// is due from then on.
func (c *Case) LastEndMs() int64 {
	var last int64
	for i := range c.Transfusions {
		last = max(last, c.Transfusions[i].LastMs())
	}
	if c.Running {
		return 0
	}
	return last
}

// Handover is a running case passed to another person.
type Handover struct {
	_            struct{} `cbor:",toarray"`
	Stamp        Stamp
	To           string // person
	GivenMl      *int32
	MlPerH       *int32
	ReactionSeen bool
	NextVitalsMs int64
	Sitter       string
}

func handoverOf(at Stamp, p *pb.HandedOver) Handover {
	return Handover{
		Stamp: at, To: p.ToPerson, GivenMl: copied(p.GivenMl), MlPerH: copied(p.MlPerH),
		ReactionSeen: p.ReactionSeen, NextVitalsMs: p.NextVitalsAt.GetUnixMs(), Sitter: p.Sitter,
	}
}
