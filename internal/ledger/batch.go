package ledger

import (
	"cmp"
	"slices"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	pb "thawtrail/proto/thawtrail/v1"
)

// Batch is one batch of a product: its holds, who has heard of them, and the
// bags of it that were given.
type Batch struct {
	_ struct{} `cbor:",toarray"`
	Common
	Product string
	Code    string // as last printed
	Stock   []BatchStock
	Holds   []Hold // holds and recalls, happened order
	Heard   []Heard
	Starts  []BatchStart
	// Reactions are the reactions seen with bags of this batch.
	Reactions []BatchReaction
}

// BatchStock is one receipt of bags of the batch.
type BatchStock struct {
	_         struct{} `cbor:",toarray"`
	Stamp     Stamp
	Bags      []string
	Expiry    string
	VolumeMl  int32
	IggCgPerL *int32
	Donor     string
	Place     string
	Found     bool
}

// Hold is a hold or a recall. It stands until a release names it.
type Hold struct {
	_                struct{} `cbor:",toarray"`
	Stamp            Stamp
	Recall           bool
	Donor            string // of a recall by donor
	Reason           string
	MakerReference   string
	SupportTelephone string
	Log              event.LogID // of the device that placed it
	Released         []Release
}

// Release ends one hold.
type Release struct {
	_      struct{} `cbor:",toarray"`
	Stamp  Stamp
	Reason string
}

// Stands says that no release names the hold.
func (h *Hold) Stands() bool { return len(h.Released) == 0 }

// Standing lists the holds and recalls that no release names.
func (b *Batch) Standing() []Hold {
	return slices.DeleteFunc(slices.Clone(b.Holds), func(h Hold) bool { return !h.Stands() })
}

// Heard says that a hold reached a device.
type Heard struct {
	_              struct{} `cbor:",toarray"`
	Log            event.LogID
	Hold           event.Hash
	WallMs         int64 // wall clock of the device when it heard
	PreviousWallMs int64 // its last record before that; 0 when there is none
	Author         string
}

// BatchStart is a transfusion of a bag of the batch that was begun.
type BatchStart struct {
	_       struct{} `cbor:",toarray"`
	Stamp   Stamp
	Bag     string
	Case    string
	Patient string
	Log     event.LogID
	After   []AfterHold // holds that stood when it was begun
}

// AfterHold says whether a hold had reached the device at the moment of hanging.
type AfterHold struct {
	_       struct{} `cbor:",toarray"`
	Hold    event.Hash
	Reached string // reached, not_reached or unknown
}

// BatchReaction is a reaction to a bag of the batch.
type BatchReaction struct {
	_     struct{} `cbor:",toarray"`
	Stamp Stamp
	Case  string
	Bag   string
	Signs []string
	Grave bool
}

func foldBatch(s *set) State {
	s.dropGone(s.otherBatch())
	b := &Batch{}
	for _, f := range s.story {
		b.apply(f)
	}
	for _, f := range s.story {
		if p, ok := f.body.(*pb.BatchReleased); ok {
			b.release(f, p)
		}
	}
	b.afterHolds(s)
	b.Common = s.common()
	return b
}

// otherBatch are the bags that were entered as of this batch and are of another one since
// their delivery was corrected. What is told of them belongs there. Of a delivery that was
// voided, or that became something else, nobody said so.
func (s *set) otherBatch() map[string]bool {
	fixes, types, bags := s.fixes(), map[event.Hash]event.Type{}, map[string]bool{}
	for i := range s.inputs {
		types[s.inputs[i].Rec.Hash] = s.inputs[i].Rec.Head.Type
	}
	for i := range s.inputs {
		in := &s.inputs[i]
		original, was, m := in.Rec.Hash, in.Rec.Head.Type, in.Payload
		if c, ok := m.(*pb.Corrected); ok {
			original, _ = event.ParseHash(c.Original)
			was = cmp.Or(types[original], c.Type) // an original of another batch is not told here
			m, _ = event.Replacement(c)
		}
		for _, bag := range receivedIn(m) {
			if slices.Contains(s.movedTo(effective(was, fixes[original])), bag) {
				bags[bag] = true
			}
		}
	}
	for _, f := range s.facts {
		for _, bag := range receivedIn(f.body) {
			delete(bags, bag)
		}
	}
	return bags
}

// movedTo are the bags of the delivery that the last of some corrections puts in place,
// when it does not concern this entity.
func (s *set) movedTo(fixes []fix) []string {
	if len(fixes) == 0 || fixes[len(fixes)-1].to == nil {
		return nil
	}
	f := fact{}
	if f.correct(fixes[len(fixes)-1], s.key); !f.marks.Has(MarkElsewhere) {
		return nil
	}
	return receivedIn(f.body)
}

// receivedIn are the bags that an entry brought into the books.
func receivedIn(m proto.Message) []string {
	switch p := m.(type) {
	case *pb.BagsReceived:
		return p.Bags
	case *pb.BagFound:
		return []string{p.Bag}
	}
	return nil
}

// dropGone takes what is told of some bags out of the facts; the story keeps it, marked.
func (s *set) dropGone(bags map[string]bool) {
	if len(bags) == 0 {
		return
	}
	gone := func(f *fact) bool {
		switch p := f.body.(type) {
		case *pb.TransfusionStarted:
			return bags[p.Bag]
		case *pb.ReactionNoted:
			return bags[p.Bag]
		}
		return false
	}
	for i := range s.timeline {
		e := &s.timeline[i]
		if slices.ContainsFunc(s.facts, func(f *fact) bool { return f.id == e.Record && gone(f) }) {
			e.Marks |= MarkElsewhere
		}
	}
	s.facts = slices.DeleteFunc(s.facts, gone)
	s.story = slices.DeleteFunc(s.story, gone)
}

func (b *Batch) apply(f *fact) {
	at := f.stamp()
	switch p := f.body.(type) {
	case *pb.BagsReceived:
		b.names(p.Product, p.Batch)
		b.Stock = append(b.Stock, BatchStock{
			Stamp: at, Bags: slices.Clone(p.Bags), Expiry: p.Expiry, VolumeMl: p.VolumeMl,
			IggCgPerL: copied(p.IggCgPerL), Donor: p.Donor, Place: p.Place,
		})
	case *pb.BagFound:
		b.names(p.Product, p.Batch)
		b.Stock = append(b.Stock, BatchStock{
			Stamp: at, Bags: []string{p.Bag}, Expiry: p.Expiry, VolumeMl: p.VolumeMl, Place: p.Place, Found: true,
		})
	case *pb.BatchHeld:
		b.names(p.Product, p.Batch)
		b.Holds = append(b.Holds, Hold{
			Stamp: at, Reason: p.Reason, MakerReference: p.MakerReference,
			SupportTelephone: p.SupportTelephone, Log: f.rec.Log,
		})
	case *pb.BatchRecalled:
		b.names(p.Product, p.Batch)
		b.Holds = append(b.Holds, Hold{
			Stamp: at, Recall: true, Donor: p.Donor, Reason: p.Reason, MakerReference: p.MakerReference,
			SupportTelephone: p.SupportTelephone, Log: f.rec.Log,
		})
	case *pb.Heard:
		b.heard(f, p)
	case *pb.TransfusionStarted:
		b.names(p.Product, p.Batch)
		b.Starts = append(b.Starts, BatchStart{Stamp: at, Bag: p.Bag, Case: p.Case, Patient: p.Patient, Log: f.rec.Log})
	case *pb.ReactionNoted:
		b.Reactions = append(b.Reactions, BatchReaction{
			Stamp: at, Case: p.Case, Bag: p.Bag, Signs: slices.Clone(p.Signs), Grave: p.Grave,
		})
	}
}

func (b *Batch) names(product, code string) { b.Product, b.Code = product, code }

func (b *Batch) heard(f *fact, p *pb.Heard) {
	if hold, ok := event.ToHash(p.Hold); ok {
		b.Heard = append(b.Heard, Heard{
			Log: f.rec.Log, Hold: hold, WallMs: f.rec.Head.WallUs / 1000,
			PreviousWallMs: p.PreviousWallUs / 1000, Author: f.rec.Head.Author,
		})
	}
}

// release ends the hold that it names and no other.
func (b *Batch) release(f *fact, p *pb.BatchReleased) {
	named, _ := event.ParseHash(p.Hold)
	for i := range b.Holds {
		if h := &b.Holds[i]; h.Stamp.Record == named {
			h.Released = append(h.Released, Release{Stamp: f.stamp(), Reason: p.Reason})
		}
	}
}
