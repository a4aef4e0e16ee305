package ledger

import (
	"slices"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	pb "thawtrail/proto/thawtrail/v1"
)

// Bag is one bag of plasma, from receipt to its end.
type Bag struct {
	_ struct{} `cbor:",toarray"`
	Common
	Label    *BagLabel // what stands about it; nil when nobody entered it
	Receipts []Receipt // deliveries, opening stock and finds; happened order

	Custody []Span   // where it lay, in happened order
	Moves   []Move   // into the stock, within it and out of it, in happened order
	Counts  []Count  // counts of a place that saw it, or missed it there; happened order
	Place   string   // where it lies, or lay last; empty when unknown
	Ended   string   // how it left the stock; empty while it is in it
	Ends    []BagEnd // happened order

	Thaws    []Thaw
	Baths    []Bath
	Softened []Stamp
	Refrozen []Stamp
	Sets     []SetAttached
	Fridge   []FridgeReturn // returns to a fridge after thawing

	Uses    []Use // transfusions as entered, happened order
	Given   []GivenTo
	GivenMl int32 // over all patients, entries of one transfusion counted once

	Pulled    []Stamp // fetched and set apart for a recall
	Decisions []QuarantineDecision
	Torn      []Torn // the maker's label could not be read; happened order
}

// Ways in which a bag leaves the stock.
const (
	EndGiven     = "given"
	EndDiscarded = "discarded"
	EndReturned  = "returned" // to the maker
	EndLent      = "lent"
	EndLentBack  = "lent_back" // to the practice that had lent it to us
	EndKeptBack  = "kept_back"
	EndMissing   = "missing"
)

// BagLabel is what stands about a bag.
type BagLabel struct {
	_         struct{} `cbor:",toarray"`
	Product   string
	Batch     string // as printed
	Expiry    string // as printed: YYYY-MM-DD or YYYY-MM
	VolumeMl  int32
	IggCgPerL *int32
	CostMinor *int64
	Donor     string
	Delivery  string
	Supplier  string
	Serial    string
	Borrowed  bool
	Found     bool // entered as found, never received
}

// Receipt is one entry that brought the bag into the books.
type Receipt struct {
	_         struct{} `cbor:",toarray"`
	Stamp     Stamp
	Place     string
	Opening   bool // stock from before the books began
	Found     bool
	Condition string // of a found bag
	Arrived   pb.Arrival
	ArrivedDc *int32
	SetAside  bool // until a person decides
}

// Span is a stay at a place, until the next one.
type Span struct {
	_      struct{} `cbor:",toarray"`
	Place  string
	FromMs int64
	OffMs  int64 // as in Stamp
	Record event.Hash
	Seen   bool // the bag was only seen there: nobody had put it
}

// Count is a count of a place, as far as it concerns the bag.
type Count struct {
	_     struct{} `cbor:",toarray"`
	Stamp Stamp
	Place string
	Seen  bool
}

// BagEnd is one way in which the bag was told to have left the stock.
type BagEnd struct {
	_        struct{} `cbor:",toarray"`
	Stamp    Stamp
	How      string
	Reason   pb.DiscardReason // of a discarded bag
	VolumeMl *int32           // thrown away
	To       string           // the practice it was lent to, or the case it was given to
	Place    string           // where it is kept back
	Text     string
}

// Thaw is one time in the bath.
type Thaw struct {
	_         struct{} `cbor:",toarray"`
	Stamp     Stamp
	Place     string
	Case      string
	BathDc    *int32
	WaterLX10 *int32
	Complete  *Stamp // thawed by look and feel
	BagDc     *int32 // temperature of the thawed bag
}

// Bath is one reading of the mixed bath.
type Bath struct {
	_      struct{} `cbor:",toarray"`
	Stamp  Stamp
	BathDc int32
}

// SetAttached is a set pushed into the port.
type SetAttached struct {
	_     struct{} `cbor:",toarray"`
	Stamp Stamp
	Case  string
}

// FridgeReturn is a return to a fridge after thawing.
type FridgeReturn struct {
	_        struct{} `cbor:",toarray"`
	Stamp    Stamp
	Place    string
	KeptAtDc *int32
}

// Torn is a label that could not be read.
type Torn struct {
	_         struct{} `cbor:",toarray"`
	Stamp     Stamp
	Confirmed bool // what the books say, by two looks at our own number
	SecondBy  string
	Text      string
}

// tornOf reads it: our number read twice confirms, unless somebody set the bag aside.
func tornOf(at Stamp, p *pb.LabelUnreadable) Torn {
	return Torn{Stamp: at, Confirmed: p.BagAgain == p.Bag && !p.SetAside && p.Batch != "", SecondBy: p.SecondBy, Text: p.Text}
}

// SetAside is the record that set the bag aside for its label, hex; empty: none did, or
// the last one confirmed what the books say.
func (b *Bag) SetAside() string {
	if n := len(b.Torn); n > 0 && !b.Torn[n-1].Confirmed {
		return b.Torn[n-1].Stamp.Record.String()
	}
	return ""
}

// ArrivedAside is the delivery that set the bag aside as it arrived, hex; empty: none did,
// or the last one told did not.
func (b *Bag) ArrivedAside() string {
	if n := len(b.Receipts); n > 0 && b.Receipts[n-1].SetAside {
		return b.Receipts[n-1].Stamp.Record.String()
	}
	return ""
}

// QuarantineDecision ends the setting aside after one warm place, for a label, or as a
// delivery arrived.
type QuarantineDecision struct {
	_      struct{} `cbor:",toarray"`
	Stamp  Stamp
	Warm   string // the record of the warm place, of the label or of the delivery, hex
	Unfit  bool
	Reason string
}

// InStock says that the bag can still be looked for at its place.
func (b *Bag) InStock() bool { return b.Ended == "" && b.Label != nil }

// Running says that the bag hangs: a transfusion was begun and not ended. Such a
// bag has left the stock (EndGiven).
func (b *Bag) Running() bool {
	return slices.ContainsFunc(b.Uses, func(u Use) bool { return u.End == nil })
}

func foldBag(s *set) State {
	b := &Bag{}
	b.label(s)
	b.Uses = usesOf(s.key.ID, s.story)
	w := &custody{set: s, bag: b, put: placesPut(s)}
	for _, f := range s.story {
		b.apply(f)
		w.step(f)
	}
	b.volumes()
	b.compare(s)
	for i := range b.Uses {
		b.Uses[i].from, b.Uses[i].to = nil, nil
	}
	b.Common = s.common()
	return b
}

// label takes the last receipt in written order, else the last find, else a bag of which
// nothing can be read.
func (b *Bag) label(s *set) {
	for _, f := range s.facts {
		switch p := f.body.(type) {
		case *pb.BagsReceived:
			b.Label = receivedLabel(p)
		case *pb.BagFound:
			if b.Label == nil || b.Label.Found {
				b.Label = &BagLabel{Product: p.Product, Batch: p.Batch, Expiry: p.Expiry, VolumeMl: p.VolumeMl, Found: true}
			}
		case *pb.LabelUnreadable:
			if b.Label == nil {
				b.Label = &BagLabel{Found: true} // nobody knows what it is: it lies there all the same
			}
		}
	}
}

func receivedLabel(p *pb.BagsReceived) *BagLabel {
	return &BagLabel{
		Product: p.Product, Batch: p.Batch, Expiry: p.Expiry, VolumeMl: p.VolumeMl,
		IggCgPerL: copied(p.IggCgPerL), CostMinor: copied(p.CostMinor), Donor: p.Donor,
		Delivery: p.Delivery, Supplier: p.Supplier, Serial: p.Serial, Borrowed: p.Borrowed,
	}
}

// copied keeps state apart from the payloads it was made of.
func copied[T any](p *T) *T {
	if p == nil {
		return nil
	}
	v := *p
	return &v
}

// apply notes what happened to the bag itself; custody is walked beside it.
func (b *Bag) apply(f *fact) {
	at := f.stamp()
	switch p := f.body.(type) {
	case *pb.BagsReceived:
		b.Receipts = append(b.Receipts, Receipt{Stamp: at, Place: p.Place, Opening: f.typ == typeOpeningStock, Arrived: p.Arrived, ArrivedDc: copied(p.ArrivedDc), SetAside: p.SetAside})
	case *pb.BagFound:
		b.Receipts = append(b.Receipts, Receipt{Stamp: at, Place: p.Place, Found: true, Condition: p.Condition})
	case *pb.BathMeasured:
		b.Baths = append(b.Baths, Bath{Stamp: at, BathDc: p.BathDc})
	case *pb.BagSoftened:
		b.Softened = append(b.Softened, at)
	case *pb.BagsCarried:
		if p.Feel == pb.BagFeel_BAG_FEEL_SOFT {
			b.Softened = append(b.Softened, at)
		}
	case *pb.BagRefrozen:
		b.Refrozen = append(b.Refrozen, at)
	case *pb.SetAttached:
		b.Sets = append(b.Sets, SetAttached{Stamp: at, Case: p.Case})
	case *pb.QuarantineDecided:
		b.Decisions = append(b.Decisions, QuarantineDecision{Stamp: at, Warm: p.Warm, Unfit: p.Unfit, Reason: p.Reason})
	case *pb.BagsPulled:
		b.Pulled = append(b.Pulled, at)
	case *pb.LabelUnreadable:
		b.Torn = append(b.Torn, tornOf(at, p))
	case *pb.ThawStarted, *pb.BagThawed:
		b.thaw(at, p)
	default:
		b.end(f)
	}
}

func (b *Bag) thaw(at Stamp, body proto.Message) {
	switch p := body.(type) {
	case *pb.ThawStarted:
		b.Thaws = append(b.Thaws, Thaw{
			Stamp: at, Place: p.Place, Case: p.Case, BathDc: copied(p.BathDc), WaterLX10: copied(p.WaterLX10),
		})
	case *pb.BagThawed:
		if n := len(b.Thaws); n == 0 || b.Thaws[n-1].Complete != nil {
			b.Thaws = append(b.Thaws, Thaw{Stamp: at})
		}
		last := &b.Thaws[len(b.Thaws)-1]
		last.Complete, last.BagDc = &at, copied(p.BagDc)
	}
}

// end notes how the bag was told to have left the stock.
func (b *Bag) end(f *fact) {
	e := BagEnd{Stamp: f.stamp()}
	switch p := f.body.(type) {
	case *pb.BagDiscarded:
		e.How, e.Reason, e.VolumeMl, e.Text = EndDiscarded, p.Reason, copied(p.VolumeMl), p.Text
	case *pb.BagReturned:
		if p.To == pb.ReturnTo_RETURN_TO_FRIDGE {
			b.Fridge = append(b.Fridge, FridgeReturn{Stamp: e.Stamp, Place: p.Place, KeptAtDc: copied(p.KeptAtDc)})
		}
		if p.To != pb.ReturnTo_RETURN_TO_MAKER {
			return
		}
		e.How = EndReturned
	case *pb.BagsLent:
		e.How, e.To = lentHow(p), p.ToPractice
	case *pb.BagKeptBack:
		e.How, e.Text, e.Place = EndKeptBack, p.Reason, p.Place
	case *pb.BagMissing:
		e.How, e.Text, e.Place = EndMissing, p.Reason, p.Place
	case *pb.TransfusionEnded:
		e.How, e.To, e.Text = EndGiven, p.Case, p.Reason
	default:
		return
	}
	b.Ends = append(b.Ends, e)
}

// lentHow tells a bag of ours that is lent from one of another practice that goes home.
func lentHow(p *pb.BagsLent) string {
	if p.GivenBack {
		return EndLentBack
	}
	return EndLent
}

// indexOf finds the bag among several in one record.
func indexOf(bags []string, id string) (int, bool) {
	i := slices.Index(bags, id)
	return i, i >= 0
}
